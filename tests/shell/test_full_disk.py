"""A disk full at any write of rolling, a stop, an upgrade or doctor: it is reported, costs nothing, and passes."""

import errno
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from sqlalchemy import Engine, create_engine, event
from sqlalchemy.exc import OperationalError

from monitor.shell.processor import Processor
from monitor.store import rolling, upgrade
from monitor.store.database import FILE, open_for_writing
from monitor.store.schema import SCHEMA_VERSION
from monitor.store.seal import is_as_sealed
from tests.commands.test_doctor import doctor, written
from tests.shell.test_damage import slow_script
from tests.shell.works import everything, processor_at, settings_at, take

READS = ("SELECT", "BEGIN", "ROLLBACK", "PRAGMA", "SAVEPOINT", "RELEASE")
FULL = r"disk is full|No space left"


@dataclass
class Disk:
    """Counts the writes of databases and files; full from write `full_at` on."""

    full_at: int | None = None
    writes: int = 0

    def write(self, error: Exception) -> None:
        self.writes += 1
        if self.full_at is not None and self.writes > self.full_at:
            raise error

    def of_database(self, *_: object) -> None:
        cause = sqlite3.OperationalError("database or disk is full")
        self.write(OperationalError("a write", None, cause))

    def of_statement(self, connection: object, cursor: object, statement: str, *_: object) -> None:
        if not statement.lstrip().upper().startswith(READS) or "wal_checkpoint" in statement:
            self.of_database()

    def of_file(self) -> None:
        self.write(OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)))


@contextmanager
def disk(full_at: int | None = None) -> Iterator[Disk]:
    made, fsync, replace = Disk(full_at), os.fsync, Path.replace

    def flushed(file: int) -> None:
        made.of_file()
        fsync(file)

    def renamed(path: Path, target: Path) -> Path:
        made.of_file()
        return replace(path, target)

    event.listen(Engine, "before_cursor_execute", made.of_statement)
    event.listen(Engine, "commit", made.of_database)
    try:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(os, "fsync", flushed)
            patch.setattr(Path, "replace", renamed)
            yield made
    finally:
        event.remove(Engine, "before_cursor_execute", made.of_statement)
        event.remove(Engine, "commit", made.of_database)


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three hours of an oven, to be copied."""
    folder: Path = tmp_path_factory.mktemp("record")
    processor = processor_at(folder)
    take(processor, slow_script())
    processor.writer.write(processor.last_batch())
    processor.writer.close()
    return folder


def each_write(
    do: Callable[[Path], object], record: Path, tmp_path: Path, every: int = 1
) -> Iterator[tuple[int, Path]]:
    """A copy of a record for each write that a piece of work makes, and before which write its disk is full."""
    shutil.copytree(record, tmp_path / "all")
    with disk() as counted:
        do(tmp_path / "all")
    assert counted.writes > 0
    for write in range(0, counted.writes, every):
        yield write, Path(shutil.copytree(record, tmp_path / str(write)))


def roll(folder: Path, report: Callable[[str, str], None] = lambda what, why: pytest.fail(f"{what}: {why}")) -> None:
    engine = open_for_writing(settings_at(folder))
    try:
        rolling.roll_hours(engine, folder, 0, None, report)
        rolling.roll_drums(engine, folder, None, report)
    finally:
        engine.dispose()


def test_full_while_hours_move_into_files(record, tmp_path):
    before = everything(record)
    for write, folder in each_write(roll, record, tmp_path):
        reasons: list[str] = []
        with disk(write):
            roll(folder, lambda _, why, reasons=reasons: reasons.append(why))
        assert any("disk is full" in why or "No space left" in why for why in reasons), (write, reasons)
        assert everything(folder) == before
        roll(folder)
        assert everything(folder) == before
        assert len(list((folder / "lines").rglob("*.parquet"))) == 3


def stop(folder: Path) -> None:
    processor: Processor = processor_at(folder, again=True)
    try:
        processor.finish()
        processor.writer.seal()
    finally:
        processor.writer.close()


def test_full_while_a_stop_writes_its_snapshot_and_its_seal(record, tmp_path, caplog):
    before = everything(record)
    for write, folder in each_write(stop, record, tmp_path):
        reason = ""
        caplog.clear()
        with disk(write):
            try:
                stop(folder)
            except (OperationalError, OSError) as error:
                reason = str(error)
        assert any(words in reason + caplog.text for words in ("disk is full", "No space left")), write
        assert everything(folder) == before
        stop(folder)
        assert is_as_sealed(folder / FILE) is True
        assert everything(folder) == before


def test_full_while_a_store_is_upgraded(tmp_path):
    old = tmp_path / "old"
    old.mkdir()
    engine = create_engine(f"sqlite:///{old / FILE}")
    with engine.begin() as connection:
        upgrade.migrate(connection, 1)
    engine.dispose()

    def prepared(folder: Path) -> None:
        open_for_writing(settings_at(folder)).dispose()

    for write, folder in each_write(prepared, old, tmp_path, every=9):
        with disk(write), pytest.raises((OperationalError, OSError), match=FULL):
            prepared(folder)
        engine = create_engine(f"sqlite:///{folder / FILE}")
        with engine.connect() as connection:
            assert upgrade.version_of(connection) == 1
        prepared(folder)
        with engine.connect() as connection:
            assert upgrade.version_of(connection) == SCHEMA_VERSION
        engine.dispose()


def test_full_while_doctor_makes_a_record_again(tmp_path, capsys):
    folder = tmp_path / "record"
    folder.mkdir()
    written(folder).dispose()
    assert doctor(folder, "--lines", "core-1") == 0
    with disk() as counted:
        assert doctor(folder, "--lines", "core-1") == 0
    capsys.readouterr()
    for write in range(0, counted.writes, max(1, counted.writes // 5)):
        with disk(write):
            assert doctor(folder, "--lines", "core-1") in (1, 2)
        printed = capsys.readouterr()
        assert "disk is full" in printed.out + printed.err or "No space left" in printed.out + printed.err, write
        assert list((folder / "work").iterdir()) == []
    assert doctor(folder, "--lines", "core-1") == 0
