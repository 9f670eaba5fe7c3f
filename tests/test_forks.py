"""A fork is the process that `python -m` would be: what it prints, where it is, how it ends."""

import signal
import subprocess
from pathlib import Path

import psutil
import pytest

from tests import forks
from tests.core.script import CONFIGS


def forked(tmp_path: Path, *words: str) -> forks.Child:
    with (tmp_path / "out").open("wb") as out, (tmp_path / "err").open("wb") as err:
        return forks.server().fork(words, out, err)


def printed(tmp_path: Path) -> tuple[str, str]:
    return (tmp_path / "out").read_text(), (tmp_path / "err").read_text()


def test_it_prints_into_its_own_files_and_ends_with_the_code_of_its_command(tmp_path):
    assert forked(tmp_path, "monitor", "--version").wait(30) == 0
    assert printed(tmp_path)[0].startswith("everymetre ")
    assert forked(tmp_path, "monitor", "monitor", "--configs", str(CONFIGS), "--lines", "core-7").wait(30) == 2
    out, err = printed(tmp_path)
    assert out == ""
    assert "no line core-7" in err
    assert forked(tmp_path, "tests.no_such_module").wait(30) == 1
    assert "No module named tests.no_such_module" in printed(tmp_path)[1]


def test_it_has_the_folder_and_the_environment_of_who_asks(tmp_path, monkeypatch):
    monkeypatch.chdir(CONFIGS.parent)
    assert forked(tmp_path, "monitor", "check").wait(60) == 0
    monkeypatch.chdir(tmp_path)
    assert forked(tmp_path, "monitor", "check").wait(60) == 2
    for base in ("one", "other"):
        monkeypatch.setenv("PYTHONUSERBASE", str(tmp_path / base))
        forked(tmp_path, "site", "--user-base").wait(30)
        assert printed(tmp_path)[0] == f"{tmp_path / base}\n"


def test_it_is_a_child_of_this_process_and_can_be_killed(tmp_path):
    child = forked(tmp_path, "http.server", "--bind", "127.0.0.1", "0")
    assert psutil.Process(child.pid).ppid() == psutil.Process().pid
    assert child.poll() is None
    with pytest.raises(subprocess.TimeoutExpired):
        child.wait(0.05)
    child.kill()
    assert child.wait(30) == -signal.SIGKILL == child.poll()
    child.send_signal(signal.SIGTERM)  # of one that has ended: nothing
