"""The manifest says of each file what it was when it was written, whenever the process that wrote it ended."""

import errno
import os
from pathlib import Path
from typing import IO, Any

import pyarrow.parquet as pq
import pytest
from sqlalchemy import Engine, select

from monitor.contract.topics import Stream
from monitor.core.arrival import Arrival
from monitor.shell.processor import Processor
from monitor.store import manifest, parquet_files
from monitor.store import rolling as rollup
from monitor.store.parquet_files import sha256
from monitor.store.reader import StoreReader
from monitor.store.schema import MANIFEST
from tests.core.script import T0, Script
from tests.shell.works import processor_at, settings_at, take

OVEN = Stream("core-1", "oven-a", "temperature")


@pytest.fixture
def processor(place: Path) -> tuple[Processor, Arrival]:
    """A processor that has taken three hours of one oven, none of it in files, and a message still to come."""
    script = Script()
    for i in range(18):
        script.send_samples("oven-a/temperature", T0 + i * 600.0, 290.0 + i)
    script.send_samples("oven-a/temperature", T0 + 10_800, 310.0)
    processor = processor_at(place)
    arrivals = script.sorted()
    take(processor, arrivals[:17] + arrivals[18:])
    processor.writer.write(processor.last_batch())
    return processor, arrivals[17]


def entries(engine: Engine) -> dict[str, Any]:
    with engine.connect() as connection:
        return {r.path: r for r in connection.execute(select(MANIFEST))}


def test_each_file_is_entered_as_it_is(place, processor):
    engine = processor[0].writer.engine
    paths = rollup.roll_hours(engine, place, 0)
    found = entries(engine)
    assert sorted(found) == sorted(p.relative_to(place).as_posix() for p in paths)
    for name, entry in found.items():
        assert entry.sha256 == sha256(place / name)
        assert entry.size_bytes == (place / name).stat().st_size
        assert (entry.line, entry.next_sha256, entry.damage) == ("core-1", "", "")
    assert sorted(entry.rows for entry in found.values()) == [5, 6, 6]
    assert list(manifest.faults(engine, place)) == []


@pytest.mark.parametrize("step", ["announce", "settle"])
@pytest.mark.parametrize("first", [True, False])
def test_a_process_that_ends_at_any_step_leaves_a_file_that_is_as_announced(place, processor, monkeypatch, step, first):
    """A8: a file that a kill left between two digests is not taken for damaged, and no message is lost."""
    processor, late = processor
    engine = processor.writer.engine
    if not first:
        rollup.roll_hours(engine, place, 0)
        take(processor, [late])
        processor.writer.write(processor.last_batch())

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as m:
        m.setattr(manifest, step, killed)
        with pytest.raises(KeyboardInterrupt):
            rollup.roll_hours(engine, place, 0)
    assert list(manifest.faults(engine, place)) == []
    assert rollup.roll_hours(engine, place, 0)
    assert list(manifest.faults(engine, place)) == []
    assert not list(place.rglob("*.damaged-*"))
    trend = StoreReader(settings_at(place)).samples(OVEN, 0, 10**15)
    assert trend.v.tolist() == [290.0 + i for i in range(17 if first else 18)] + [310.0]


def test_files_are_looked_at_in_turn_and_damage_is_shown_until_it_is_repaired(place, processor):
    """A9: nothing noticed damage of a file."""
    engine = processor[0].writer.engine
    first, second, third = sorted(rollup.roll_hours(engine, place, 0))
    reader = StoreReader(settings_at(place))
    good = second.read_bytes()
    second.write_bytes(good[:-9] + bytes([good[-9] ^ 1]) + good[-8:])
    third.unlink()

    def look_at_all() -> dict[str, str]:
        at = ""
        for _ in range(3):
            at = manifest.look_at_next(engine, place, ["core-1"], at)
            assert at
        assert manifest.look_at_next(engine, place, ["core-1"], at) == ""
        return {f.path: f.damage for f in reader.damaged_files()}

    found = look_at_all()
    assert sorted(found) == [p.relative_to(place).as_posix() for p in (second, third)]
    assert found[second.relative_to(place).as_posix()].startswith("not what was written")
    assert found[third.relative_to(place).as_posix()] == "missing"
    second.write_bytes(good)
    assert list(look_at_all().values()) == ["missing"]
    assert first.is_file()


def test_files_are_looked_at_together_as_far_as_it_takes_little_time(place, processor, monkeypatch):
    """A9: one file in ten seconds took days over the files of a year."""
    engine = processor[0].writer.engine
    names = [path.relative_to(place).as_posix() for path in sorted(rollup.roll_hours(engine, place, 0))]
    assert list(manifest.look_in_turn(engine, place, None, "")) == [*names, ""]
    monkeypatch.setattr(manifest, "LOOK_FILES", 2)
    assert list(manifest.look_in_turn(engine, place, None, "")) == names[:2]
    assert list(manifest.look_in_turn(engine, place, None, names[1])) == [names[2], ""]
    monkeypatch.setattr(manifest, "LOOK_BYTES", 1)
    assert list(manifest.look_in_turn(engine, place, None, "")) == names[:1]


def test_a_file_set_aside_is_shown_until_it_is_removed(place, processor):
    """A8."""
    processor, late = processor
    engine = processor.writer.engine
    damaged: Path = sorted(rollup.roll_hours(engine, place, 0))[2]
    damaged.write_bytes(b"PAR1")
    take(processor, [late])
    processor.writer.write(processor.last_batch())
    assert rollup.roll_hours(engine, place, 0) == [damaged]
    reader = StoreReader(settings_at(place))
    name = damaged.relative_to(place).as_posix()
    assert [f.path for f in reader.damaged_files()] == [f"{name}.damaged-1"]
    damaged.with_name(f"{damaged.name}.damaged-1").unlink()
    assert manifest.look_at_next(engine, place, None, name) == f"{name}.damaged-1"
    assert reader.damaged_files() == []


def late_comes(kept: tuple[Processor, Arrival]) -> None:
    processor, late = kept
    take(processor, [late])
    processor.writer.write(processor.last_batch())


def values(place: Path) -> list[float]:
    return StoreReader(settings_at(place)).samples(OVEN, 0, 10**15).v.tolist()


ALL = [290.0 + i for i in range(18)] + [310.0]


class Opened:
    """Opening a Parquet file to read fails once, at the `at`-th time."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, at: int) -> None:
        self.left, self.failed = at, False
        open_path, parquet_file = Path.open, pq.ParquetFile

        def opened(path: Path, mode: str = "r", *more: Any) -> IO[Any]:
            if mode == "rb" and path.suffix == ".parquet":
                self.count(path)
            return open_path(path, mode, *more)

        def parquet(path: Path, **more: object) -> pq.ParquetFile:
            self.count(path)
            return parquet_file(path, **more)

        monkeypatch.setattr(Path, "open", opened)
        monkeypatch.setattr(pq, "ParquetFile", parquet)

    def count(self, path: Path) -> None:
        self.left -= 1
        if self.left == 0:
            self.failed = True
            raise OSError(errno.EMFILE, "Too many open files", str(path))


def test_a_file_that_cannot_be_opened_for_now_is_not_taken_for_damaged(place, processor, monkeypatch):
    """A8: one time without a free file handle, and a good hour was set aside; its hour waits for the next time."""
    engine = processor[0].writer.engine
    rollup.roll_hours(engine, place, 0)
    late_comes(processor)
    at, failed = 0, True
    while failed:
        at += 1
        reported: dict[str, str] = {}
        with monkeypatch.context() as m:
            failure = Opened(m, at)
            moved = rollup.roll_hours(engine, place, 0, None, reported.__setitem__)
            failed = failure.failed
        assert not list(place.rglob("*.damaged-*"))
        assert values(place) == ALL
        assert len(moved) == (not failed)
        assert [("Too many open files" in reason) for reason in reported.values()] == [True] * failed
    assert at > 3
    assert list(manifest.faults(engine, place)) == []


@pytest.mark.parametrize(
    ("number", "shown"), [(errno.EMFILE, []), (errno.EACCES, ["cannot be read: Permission denied"])]
)
def test_what_the_process_lacks_is_no_damage_of_a_file(place, processor, monkeypatch, number: int, shown: list[str]):
    """A9: the metres of a file that was looked at without a free file handle were shown as lost until the next look."""
    engine = processor[0].writer.engine
    rollup.roll_hours(engine, place, 0)
    reader = StoreReader(settings_at(place))

    def failing(_: Path) -> str:
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as m:
        m.setattr(manifest, "sha256", failing)
        first = manifest.look_at_next(engine, place, None, "")
    assert [f.damage for f in reader.damaged_files()] == shown
    assert manifest.look_at_next(engine, place, None, "") == first
    assert reader.damaged_files() == []


@pytest.mark.parametrize("at", [1, 2])
def test_a_damaged_file_is_on_record_whatever_fails_after_it_got_another_name(place, processor, monkeypatch, at):
    """A8: where flushing the folder failed, nothing named the file that was set aside."""
    engine = processor[0].writer.engine
    damaged = sorted(rollup.roll_hours(engine, place, 0))[2]
    damaged.write_bytes(b"PAR1")
    late_comes(processor)
    calls, flush = [], parquet_files.flush_folder

    def fails(folder: Path) -> None:
        calls.append(folder)
        if len(calls) == at:
            raise OSError(errno.EIO, "Input/output error")
        flush(folder)

    with monkeypatch.context() as m:
        m.setattr(parquet_files, "flush_folder", fails)
        assert rollup.roll_hours(engine, place, 0) == []
    name = damaged.relative_to(place).as_posix()
    reader = StoreReader(settings_at(place))
    assert [f.path for f in reader.damaged_files()] == [f"{name}.damaged-1"]
    assert rollup.roll_hours(engine, place, 0) == [damaged]
    assert [f.path for f in reader.damaged_files()] == [f"{name}.damaged-1"]
    assert [path for path, _ in manifest.faults(engine, place)] == [f"{name}.damaged-1"]
    assert values(place) == [*ALL[:12], ALL[17], ALL[18]]


def test_a_missing_hour_is_on_record_until_its_file_is_back_and_then_holds_what_came_late(place, processor):
    """A8: one late message, and a new file of that hour made its loss forgotten."""
    engine = processor[0].writer.engine
    hour = sorted(rollup.roll_hours(engine, place, 0))[2]
    kept = hour.read_bytes()
    hour.unlink()
    late_comes(processor)
    reported: dict[str, str] = {}
    assert rollup.roll_hours(engine, place, 0, None, reported.__setitem__) == []
    assert list(reported) == [str(hour)]
    assert "restore it from a backup" in reported[str(hour)]
    assert list(manifest.faults(engine, place)) == [(hour.relative_to(place).as_posix(), "missing")]
    assert values(place) == [*ALL[:12], ALL[17], ALL[18]]
    hour.write_bytes(kept)
    assert rollup.roll_hours(engine, place, 0) == [hour]
    assert list(manifest.faults(engine, place)) == []
    assert values(place) == ALL
