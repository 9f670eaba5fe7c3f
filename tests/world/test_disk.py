"""What a power cut leaves on the disk of the world: all that was flushed, and of the rest what chance has it."""

import os
import random
from pathlib import Path

import pytest

from tests.world.disk import Disk, Killed, file_steps

TRIES = 40


def left(folder: Path, disk: Disk) -> set[tuple[str | None, str | None]]:
    """(content under the new name, under the old one) after power cuts, None where there is no such file."""
    copies = (disk.crashed_copy(folder.parent / f"copy-{i}") for i in range(TRIES))
    paths = [(copy / "hour.parquet", copy / "hour.aside") for copy in copies]
    return {(read(new), read(old)) for new, old in paths}


def read(path: Path) -> str | None:
    return path.read_text() if path.exists() else None


@pytest.fixture
def disk(tmp_path: Path) -> Disk:
    (tmp_path / "0").mkdir()
    return Disk(tmp_path / "0", random.Random(1), lambda _: None)


def write_aside(disk: Disk, flush: bool = True) -> Path:
    path = disk.folder / "hour.aside"
    with path.open("w") as file:
        file.write("new")
        file.flush()
        if flush:
            os.fsync(file.fileno())
    return path


def flush_folder(folder: Path) -> None:
    at = os.open(folder, os.O_RDONLY)
    os.fsync(at)
    os.close(at)


def test_a_name_that_was_not_flushed_may_be_the_old_one_again(disk):
    target = disk.folder / "hour.parquet"
    target.write_text("old")
    with file_steps(lambda: disk):
        write_aside(disk).replace(target)
        assert left(disk.folder, disk) == {("new", None), ("old", "new")}


def test_a_name_and_a_content_that_were_flushed_stay(disk):
    with file_steps(lambda: disk):
        write_aside(disk).replace(disk.folder / "hour.parquet")
        flush_folder(disk.folder)
        assert left(disk.folder, disk) == {("new", None)}


def test_a_content_that_was_not_flushed_may_be_lost_under_its_new_name(disk):
    with file_steps(lambda: disk):
        write_aside(disk, flush=False).replace(disk.folder / "hour.parquet")
        assert left(disk.folder, disk) == {("", None), (None, "new")}


def test_a_full_disk_can_be_read_and_a_dead_process_does_nothing(disk):
    disk.full = True
    disk.step(writes=False)
    with pytest.raises(OSError, match="No space left"):
        disk.step()
    disk.dead = True
    with pytest.raises(Killed):
        disk.step(writes=False)
