"""A disk full at any write of rolling, a stop, an upgrade or doctor: it is reported, costs nothing, and passes.

On PostgreSQL the server's disk is another than that of the files; here all writes of both count as those of one.
"""

import errno
import os
import re
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import pyarrow.parquet as pq
import pytest
from psycopg.errors import DiskFull
from sqlalchemy import Connection, Engine, create_engine, event, func, select
from sqlalchemy.exc import OperationalError

from monitor.core.arrival import Message
from monitor.shell.broker_link import Received
from monitor.shell.processor import Processor
from monitor.store import manifest, rolling, upgrade
from monitor.store.database import FILE, open_for_writing
from monitor.store.message_history import History
from monitor.store.rolling import log_not_moved
from monitor.store.schema import MESSAGE, SCHEMA_VERSION, SET_ASIDE
from monitor.store.seal import is_as_sealed
from monitor.store.writer import Batch
from tests.commands.test_doctor import doctor, written
from tests.core.script import T0
from tests.core.test_pipeline import core_line
from tests.shell.test_damage import slow_script
from tests.shell.works import everything, numbers_stored, processor_at, settings_at, take
from tests.store.test_writer import busy

READS = ("SELECT", "BEGIN", "ROLLBACK", "PRAGMA", "SAVEPOINT", "RELEASE")
FULL = r"disk is full|No space left"

T = TypeVar("T")


@dataclass
class Disk:
    """Counts the writes of databases and files; full from write `full_at` on."""

    full_at: int | None = None
    writes: int = 0

    def write(self, error: Exception) -> None:
        self.writes += 1
        if self.full_at is not None and self.writes > self.full_at:
            raise error

    def of_database(self, connection: Connection) -> None:
        cause: Exception = sqlite3.OperationalError("database or disk is full")
        if connection.dialect.name == "postgresql":
            cause = DiskFull('could not extend file "base/16384/2619": No space left on device')
        self.write(OperationalError("a write", None, cause))

    def of_statement(self, connection: Connection, cursor: object, statement: str, *_: object) -> None:
        if not statement.lstrip().upper().startswith(READS) or "wal_checkpoint" in statement:
            self.of_database(connection)

    def of_file(self) -> None:
        self.write(OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)))

    def before(self, do: Callable[..., T], is_write: Callable[..., bool] = lambda *_, **__: True) -> Callable[..., T]:
        """A piece of work with files that needs room."""

        def done(*args: Any, **names: Any) -> T:
            if is_write(*args, **names):
                self.of_file()
            return do(*args, **names)

        return done


@contextmanager
def disk(full_at: int | None = None) -> Iterator[Disk]:
    made = Disk(full_at)
    event.listen(Engine, "before_cursor_execute", made.of_statement)
    event.listen(Engine, "commit", made.of_database)
    try:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(os, "fsync", made.before(os.fsync))
            patch.setattr(pq.ParquetWriter, "write_table", made.before(pq.ParquetWriter.write_table))
            patch.setattr(Path, "replace", made.before(Path.replace))
            patch.setattr(Path, "mkdir", made.before(Path.mkdir, lambda path, *_, **__: not path.is_dir()))
            patch.setattr(Path, "open", made.before(Path.open, lambda _, mode="r", **__: "w" in mode))
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


def keep_reason(reasons: list[str], _: str, why: str) -> None:
    reasons.append(why)


def test_full_while_hours_move_into_files(record, tmp_path):
    before = everything(record)
    for write, folder in each_write(roll, record, tmp_path):
        reasons: list[str] = []
        with disk(write):
            roll(folder, partial(keep_reason, reasons))
        assert any("disk is full" in why or "No space left" in why for why in reasons), (write, reasons)
        assert everything(folder) == before
        roll(folder)
        assert everything(folder) == before
        assert len(list((folder / "lines").rglob("*.parquet"))) == 3


def batches(processor: Processor) -> Iterator[Batch]:
    """Two minutes of a line with all that it may have, taken in a few batches."""
    arrivals = core_line(130, before=busy).sorted()
    for start in range(0, len(arrivals), 300):
        part = [Received(a, lambda: None) for a in arrivals[start : start + 300]]
        assert part[-1].arrival is not None
        yield processor.take(part, part[-1].arrival.received_s)


def written_undisturbed(folder: Path) -> dict[str, object]:
    processor = processor_at(folder, lines=["core-1"])
    for batch in batches(processor):
        processor.write(batch)
    return everything(folder)


def refusal(processor: Processor, batch: Batch, full_at: int) -> OperationalError | None:
    """What a write raises whose disk is full from its `full_at`-th statement on; None where it has fewer."""
    try:
        with disk(full_at):
            processor.write(batch)
    except OperationalError as error:
        return error
    return None


def test_full_at_any_statement_of_a_batch(place, tmp_path_factory):
    """A1: nothing of the batch is stored or known as stored until all of it is, and no message is at fault."""
    processor, refused = processor_at(place, lines=["core-1"]), 0
    for batch in batches(processor):
        stored, full_at = numbers_stored(processor.writer.engine), 0
        while (error := refusal(processor, batch, full_at)) is not None:
            assert re.search(FULL, str(error))
            assert processor.pending is batch
            assert numbers_stored(processor.writer.engine) == stored
            full_at, refused = full_at + 1, refused + 1
        assert numbers_stored(processor.writer.engine) > stored
    assert refused > 40
    with processor.writer.engine.connect() as connection:
        assert connection.execute(select(SET_ASIDE)).all() == []
    assert everything(place) == written_undisturbed(tmp_path_factory.mktemp("undisturbed"))


@pytest.fixture
def drums(place: Path) -> Processor:
    """Two minutes of a line: two finished drums, and an hour that may move into its file."""
    processor = processor_at(place, lines=["core-1"])
    take(processor, core_line(130, before=busy).sorted())
    processor.writer.write(processor.last_batch())
    return processor


def roll_all(processor: Processor, place: Path, report: Callable[[str, str], None] = log_not_moved) -> None:
    rolling.roll_hours(processor.writer.engine, place, -2 * rolling.HOUR_MS, None, report)
    rolling.roll_drums(processor.writer.engine, place, None, report)


def numbers(processor: Processor) -> list[tuple[str, int, int]]:
    """Every message that the record has, in the database and in files."""
    parts = History(configuration=processor.configuration, line="core-1").read(0, 10**15)
    return sorted((str(m.stream), m.start, m.n) for part in parts for m in part if isinstance(m, Message))


def test_full_at_any_step_of_moving_an_hour_and_drums_into_files(drums, place):
    """A8: at each attempt one step later, until there is room for all; each begins with what the one before left."""
    before, messages = everything(place), numbers(drums)
    reasons, full_at = [""], 0
    while reasons:
        reasons.clear()
        with disk(full_at):
            roll_all(drums, place, lambda _, why: reasons.append(why))
        assert all(re.search(FULL, why) for why in reasons)
        assert list(place.rglob("*.aside")) == []
        assert everything(place) == before
        assert numbers(drums) == messages
        full_at += 1
    assert full_at > 25  # tables of an hour and of drums, and each statement of settling them
    assert [len(list((place / part).rglob("*.parquet"))) for part in ("lines", "drums")] == [1, 2]
    assert list(manifest.faults(drums.writer.engine, place)) == []
    with drums.writer.engine.connect() as connection:
        assert connection.execute(select(func.count()).select_from(MESSAGE)).scalar() == 0


@pytest.mark.parametrize("what", ["hour", "drum"])
def test_a_device_without_room_under_a_file_that_is_written(drums, place, what, caplog):
    """The system's own refusal, in the middle of the file: what was written of it leaves, and is written again."""
    hour = rolling.hour_file(place, "core-1", round(T0 * 1e3) // rolling.HOUR_MS * rolling.HOUR_MS)
    path = {"hour": hour, "drum": rolling.drum_file(place, "core-1", 1)}[what]
    path.parent.mkdir(parents=True)
    path.with_suffix(".aside").symlink_to("/dev/full")
    before, messages = everything(place), numbers(drums)
    roll_all(drums, place)
    assert "No space left on device" in caplog.text
    assert not path.exists()
    assert not path.with_suffix(".aside").is_symlink()
    assert (everything(place), numbers(drums)) == (before, messages)
    roll_all(drums, place)
    assert path.is_file()
    assert (everything(place), numbers(drums)) == (before, messages)


def test_full_while_files_are_written_is_on_health_until_there_is_room(drums, place):
    with disk(0):
        drums.roll()
    [problem] = drums.problems
    assert "cannot be moved into a file" in problem
    assert "No space left on device" in problem
    assert problem.endswith("the database keeps it")
    drums.roll()
    assert drums.problems == []


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
