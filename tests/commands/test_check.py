"""`everymetre check` names every fault at once, with file, key and remedy, and starts nothing."""

from pathlib import Path

import pytest

from monitor.__main__ import main
from tests.shell.works import configs_at


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text, old
    path.write_text(text.replace(old, new, 1))


def test_sound_files_are_reported_to_be_so(tmp_path, capsys):
    configs, *_ = configs_at(tmp_path)
    assert main(["check", str(configs)]) == 0
    assert "no fault" in capsys.readouterr().out


def test_a_film_coefficient_that_nobody_measured_is_estimated(tmp_path, capsys):
    """F7: with its range and source."""
    configs, *_ = configs_at(tmp_path)
    edit(configs / "lines" / "core-1.toml", "film_coefficient_W_m2K = 85.0\n", "")
    assert main(["check", str(configs)]) == 0
    output = capsys.readouterr().out
    assert "core-1, oven-a, core-2g5 at 230 m/min and 290 degC: film coefficient none of its own, estimated" in output
    assert "oven-b" not in output
    assert main(["check", str(configs), "--films"]) == 0
    assert "oven-b" in capsys.readouterr().out


def test_every_fault_is_named_at_once_with_file_key_and_remedy(tmp_path, capsys):
    configs, *_ = configs_at(tmp_path)
    line, recipe = configs / "lines" / "core-1.toml", configs / "recipes" / "core-2g5.toml"
    edit(configs / "works.toml", "time_zone =", "time_zon =")
    edit(line, 'take_up = "take-up"', 'take_up = "take-down"')
    edit(recipe, 'unit = "m/min"', 'unit = "km/h"')
    edit(recipe, "index_warn = 1.2", "index_warn = 0.8")
    edit(recipe, "oven-b = 305.0", "oven-q = 305.0")
    edit(configs / "scenarios" / "ramp.toml", "seed =", "sead =")
    assert main(["check", str(configs)]) == 1
    output = capsys.readouterr().out
    for file, key, remedy in (
        ("works.toml", "time_zon", "time_zone"),
        ("lines/core-1.toml", "take-down", "[[station]]"),
        ("recipes/core-2g5.toml", "index_warn", "must not be less than index_min"),
        ("scenarios/ramp.toml", "sead", "seed"),
    ):
        lines = [text for text in output.splitlines() if text.startswith(file) and key in text]
        assert lines, (file, key, output)
        assert any(remedy in text for text in lines), (remedy, lines)
    assert "Traceback" not in output


@pytest.mark.parametrize(
    ("old", "new", "key", "remedy"),
    [
        ('unit = "m/min"', 'unit = "mm"', "window[1].unit", "Give the limits in the stream's unit"),
        ("oven-b = 305.0", "oven-q = 305.0", "setpoints.zone_C.oven-q", "Correct the name"),
        ('sheave = "far-sheave"', 'sheave = "far-shave"', "cure.sheave", "Name the first sheave"),
    ],
)
def test_a_recipe_that_does_not_meet_its_lines_is_reported_so(tmp_path, capsys, old, new, key, remedy):
    configs, *_ = configs_at(tmp_path)
    edit(configs / "recipes" / "core-2g5.toml", old, new)
    assert main(["check", str(configs)]) == 1
    lines = [text for text in capsys.readouterr().out.splitlines() if key in text]
    assert lines
    assert remedy in lines[0]


def test_no_folder_is_a_sentence(tmp_path, capsys):
    assert main(["check", str(tmp_path / "none")]) == 2
    assert "name another" in capsys.readouterr().err
