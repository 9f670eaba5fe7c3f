"""Thickness readings of a laboratory against a recipe (F7)."""

from pathlib import Path

import pytest

from monitor.__main__ import main
from tests.core.script import CONFIGS

WALL_MM = 0.9  # of core-2g5, so that the thinnest place may have 0.71 mm


def wall(tmp_path: Path, readings: list[str], *more: str) -> int:
    (tmp_path / "readings.csv").write_text("wall_mm\n" + "".join(f"{r}\n" for r in readings))
    words = ["wall", str(tmp_path / "readings.csv"), "--recipe", "core-2g5", "--configs", str(CONFIGS)]
    return main([*words, *more])


def test_a_wall_that_meets_both_rules_conforms(tmp_path, capsys):
    """The mean 0.85 rounds up to 0.9: decimal, half up, as IEC 60227-2 has it."""
    assert wall(tmp_path, ["0.84", "0.86"] * 9) == 0
    output = capsys.readouterr().out
    assert "18 readings" in output
    assert f"mean 0.9 mm, specified {WALL_MM}: met" in output
    assert "thinnest place 0.84 mm, allowed 0.71: met" in output
    assert "confirm it against the standard" in output


@pytest.mark.parametrize(
    ("readings", "output"),
    [
        (["0.84"] * 18, "mean 0.8 mm, specified 0.9: not met"),
        (["0.95"] * 17 + ["0.70"], "thinnest place 0.70 mm, allowed 0.71: not met"),
    ],
)
def test_a_wall_that_misses_one_does_not(tmp_path, capsys, readings, output):
    assert wall(tmp_path, readings) == 1
    assert output in capsys.readouterr().out


def test_a_sheath_may_be_thinner_at_one_place(tmp_path, capsys):
    assert wall(tmp_path, ["0.95"] * 17 + ["0.70"], "--layer", "sheath") == 0
    assert "allowed 0.665: met" in capsys.readouterr().out


@pytest.mark.parametrize("readings", [[], ["x"], ["-1"], ["nan"]])
def test_what_is_no_reading_is_refused(tmp_path, capsys, readings):
    assert wall(tmp_path, readings) == 2
    assert "expected thicknesses in mm" in capsys.readouterr().err


def test_a_recipe_that_is_not_there_is_refused_with_those_that_are(tmp_path, capsys):
    assert wall(tmp_path, ["0.9"], "--recipe", "any") == 2
    assert "no recipe 'any'; there are" in capsys.readouterr().err
