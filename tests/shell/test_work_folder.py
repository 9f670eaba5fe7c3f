"""A work folder lies beside the store, needs room there, and outlives no process for long."""

import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.contract.command import CannotRunError
from monitor.shell.work_folder import KEEP_FREE_BYTES, PREFIX, work_folder

KILLED = """
import os, signal, sys
from pathlib import Path
from monitor.shell.work_folder import work_folder
with work_folder(Path(sys.argv[1]), 0) as folder:
    (folder / "half.sqlite").write_bytes(bytes(100))
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_it_is_empty_and_gone_afterwards(tmp_path):
    with work_folder(tmp_path / "work", 0) as folder:
        assert list(folder.iterdir()) == []
        (folder / "file").touch()
    assert list((tmp_path / "work").iterdir()) == []


def test_what_a_killed_process_left_is_removed_by_the_next(tmp_path):
    """12.6: after kill -9 a record made again stayed on the disk for ever."""
    ended = subprocess.run([sys.executable, "-c", KILLED, str(tmp_path)], timeout=60, check=False)
    assert ended.returncode == -signal.SIGKILL
    (left,) = tmp_path.iterdir()
    assert (left / "half.sqlite").is_file()
    with work_folder(tmp_path, 0) as folder:
        assert list(tmp_path.iterdir()) == [folder]


def test_folders_of_others_stay(tmp_path):
    (tmp_path / "theirs").mkdir()
    (tmp_path / f"{PREFIX}link").symlink_to(tmp_path / "theirs")
    with work_folder(tmp_path, 0) as first, work_folder(tmp_path, 0) as second:
        assert first.is_dir()
        assert second.is_dir()
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"{PREFIX}link", "theirs"]


def test_want_of_room_is_found_before_anything_is_written(tmp_path, monkeypatch):
    free = shutil.disk_usage(tmp_path)._replace(free=KEEP_FREE_BYTES + 10**9)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: free)
    with work_folder(tmp_path, 10**9):
        pass
    wanted = r"about 3\.1 GB of free space, and has 2\.1 GB\): name another with --work-dir"
    with pytest.raises(CannotRunError, match=wanted), work_folder(tmp_path, 2 * 10**9):
        pass
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_its_place_is_named(tmp_path):
    Path(tmp_path / "work").touch()
    with pytest.raises(CannotRunError, match=r"cannot be written .*--work-dir"), work_folder(tmp_path / "work", 0):
        pass
