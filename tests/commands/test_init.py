"""`everymetre init` writes a sound works, never over anything; a wheel by itself can do so too."""

import subprocess
import sys
from os import environ
from pathlib import Path

import pytest

from monitor.__main__ import main
from monitor.contract.config.load import load
from tests.core.script import CONFIGS

ROOT = CONFIGS.parent


def files_in(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_what_it_writes_is_the_example_and_has_no_fault(tmp_path, capsys):
    assert main(["init", str(tmp_path / "works")]) == 0
    assert files_in(tmp_path / "works") == files_in(CONFIGS)
    assert f"everymetre run --configs {tmp_path / 'works'}" in capsys.readouterr().out
    assert main(["check", str(tmp_path / "works")]) == 0


def test_nothing_is_written_over(tmp_path, capsys):
    (tmp_path / "mine.toml").write_text("mine")
    assert main(["init", str(tmp_path)]) == 2
    assert "not an empty folder" in capsys.readouterr().err
    assert files_in(tmp_path) == {"mine.toml": b"mine"}


def test_a_folder_that_is_not_there_is_reported_with_what_to_do(tmp_path, capsys):
    """F10: `check` advised an option that it refuses."""
    assert main(["check", str(tmp_path / "none")]) == 2
    assert f"everymetre init {tmp_path / 'none'}" in capsys.readouterr().err


def test_the_version_is_printed(capsys):
    with pytest.raises(SystemExit) as end:
        main(["--version"])
    assert end.value.code == 0
    assert capsys.readouterr().out.startswith("everymetre 0.")


def test_a_wheel_works_alone(tmp_path):
    """F10: from the built wheel, in a folder without the source, a works is written and read."""
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check"]
    subprocess.run(
        [*pip, "wheel", "-q", "--no-deps", "--no-build-isolation", "-w", tmp_path, ROOT], check=True, cwd=tmp_path
    )
    (wheel,) = tmp_path.glob("everymetre-*.whl")
    install = [*pip, "install", "-q", "--no-deps", "--no-compile", "--target", tmp_path / "alone", wheel]
    subprocess.run(install, check=True)
    alone = {**environ, "PYTHONPATH": str(tmp_path / "alone")}
    where = [sys.executable, "-c", "import monitor.commands.init as m; print(m.__file__, m.example())"]
    found = subprocess.run(where, env=alone, cwd=tmp_path, check=True, capture_output=True, text=True).stdout
    assert all(Path(part).is_relative_to(tmp_path / "alone") for part in found.split())
    for words in (["init", "works"], ["check", "works"]):
        subprocess.run([sys.executable, "-m", "monitor", *words], env=alone, cwd=tmp_path, check=True)
    assert load(tmp_path / "works").works.works == "tarn"
    shipped = files_in(tmp_path / "alone")
    assert {"dashboard/assets/live.js", "monitor/contract/rules.md"} <= set(shipped)
    assert any(name.endswith(".mako") for name in shipped)
