"""A damaged or missing file costs its own span, is logged, and stops nothing; each hour and drum rolls by itself."""

import os
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest

from monitor.contract.record import Verdict
from monitor.contract.topics import Stream
from monitor.core.arrival import Arrival
from monitor.shell import processor as processor_module
from monitor.shell.processor import Processor
from monitor.store import manifest
from monitor.store import rolling as rollup
from monitor.store.message_history import History
from monitor.store.parquet_files import write_each
from monitor.store.reader import StoreReader
from tests.core.script import T0, Script
from tests.core.test_pipeline import core_line
from tests.shell.works import everything, processor_at, settings_at, stored_at, take
from tests.store.test_writer import busy

OVEN = Stream("core-1", "oven-a", "temperature")


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def empty(path: Path) -> None:
    path.write_bytes(b"")


def flip(path: Path, name: str | None = None) -> None:
    """One bit at the end of a column; without a name of one that every question reads."""
    file = pq.ParquetFile(path)
    names = file.schema_arrow.names
    name = name or ("t_ms" if "t_ms" in names else "line_metre")
    column = file.metadata.row_group(0).column(names.index(name))
    data = bytearray(path.read_bytes())
    data[(column.dictionary_page_offset or column.data_page_offset) + column.total_compressed_size - 2] ^= 4
    path.write_bytes(data)


WAYS = [cut, empty, flip, Path.unlink]
Damage = Callable[[Path], object]


def slow_script() -> list[Arrival]:
    """Three hours and twenty minutes of one oven, a reading every ten minutes."""
    script = Script()
    for i in range(20):
        script.send_samples("oven-a/temperature", T0 + i * 600.0, 290.0 + i)
    return script.sorted()


def hours(place: Path) -> list[Path]:
    return sorted((place / "lines" / "core-1").rglob("*.parquet"))


def written(place: Path, arrivals: list[Arrival]) -> Processor:
    processor = processor_at(place)
    take(processor, arrivals)
    processor.writer.write(processor.last_batch())
    return processor


@pytest.mark.parametrize("way", WAYS)
def test_an_hour_that_cannot_be_read_is_missing_and_the_others_are_answered(place, caplog, way: Damage):
    """A8."""
    processor = written(place, slow_script())
    rollup.roll_hours(processor.writer.engine, place, 0)
    way(hours(place)[1])
    trend = StoreReader(settings_at(place)).samples(OVEN, 0, 10**15)
    assert trend.v.tolist() == [290.0 + i for i in range(20) if not 6 <= i < 12]
    parts = History(configuration=stored_at(place), line="core-1").read(0, 10**15)
    assert [m.body.v[0] for part in parts for m in part] == trend.v.tolist()
    assert len([r for r in caplog.records if "cannot be read" in r.message]) == (way is not Path.unlink)


@pytest.mark.parametrize("way", [cut, empty, flip])
def test_a_late_message_of_a_damaged_hour_is_kept_and_the_damaged_file_set_aside(place, caplog, way: Damage):
    """A8: ArrowInvalid ended the monitor, again and again."""
    arrivals = slow_script()[:19]
    late = arrivals.pop(17)
    processor = written(place, arrivals)
    rollup.roll_hours(processor.writer.engine, place, 0)
    damaged = hours(place)[2]
    way(damaged)
    before = damaged.read_bytes()
    take(processor, [late])
    processor.writer.write(processor.last_batch())
    assert rollup.roll_hours(processor.writer.engine, place, 0) == [damaged]
    trend = StoreReader(settings_at(place)).samples(OVEN, 0, 10**15)
    assert trend.v.tolist() == [290.0 + i for i in (*range(12), 17, 18)]
    assert damaged.with_name(f"{damaged.name}.damaged-1").read_bytes() == before
    assert "was set aside" in caplog.text


@pytest.fixture(scope="module")
def arrivals() -> list[Arrival]:
    return core_line(130, before=busy).sorted()


@pytest.mark.parametrize("bad", [0, 1])
def test_a_drum_that_cannot_be_written_stops_no_other_and_loses_no_row(place, arrivals, monkeypatch, bad: int):
    """A8: one bad name stopped the rolling of all lines."""
    processor = written(place, arrivals)
    before, write = everything(place), write_each
    paths: list[Path] = []

    def one_fails(path: Path, *args: Any) -> Iterator[None]:
        paths.append(path)
        if paths.index(path) == bad:
            raise OSError(36, "File name too long")
        return write(path, *args)

    monkeypatch.setattr(rollup, "write_each", one_fails)
    failed: dict[str, str] = {}
    assert len(rollup.roll_drums(processor.writer.engine, place, None, failed.__setitem__)) == 1
    assert list(failed.values()) == ["OSError: [Errno 36] File name too long"]
    now = everything(place)
    assert {name: now[name] for name in ("rows", "verdict", "findings")} == {
        name: before[name] for name in ("rows", "verdict", "findings")
    }


def test_hours_roll_though_one_of_them_cannot(place, monkeypatch):
    """A8."""
    processor = written(place, slow_script())
    second, write = rollup.hour_file(place, "core-1", round((T0 + 3600) * 1e3)), write_each

    def one_fails(path: Path, *args: Any) -> Iterator[None]:
        if path == second:
            raise ValueError("a payload that is no JSON")
        return write(path, *args)

    monkeypatch.setattr(rollup, "write_each", one_fails)
    failed: dict[str, str] = {}
    assert len(rollup.roll_hours(processor.writer.engine, place, 0, None, failed.__setitem__)) == 2
    assert failed == {str(second): "ValueError: a payload that is no JSON"}
    assert len(StoreReader(settings_at(place)).samples(OVEN, 0, 10**15).v) == 20


@pytest.mark.parametrize("way", WAYS)
def test_rows_of_a_drum_whose_file_cannot_be_read_are_unverified(place, arrivals, caplog, way: Damage):
    """A8."""
    processor = written(place, arrivals)
    first, before = StoreReader(settings_at(place)).verdicts("core-1", 0, 1e9)
    paths = rollup.roll_drums(processor.writer.engine, place)
    reader = StoreReader(settings_at(place))
    drum = reader.drums("core-1")[-1]
    way(paths[0])
    start, now = reader.verdicts("core-1", 0, 1e9)
    metres = start + np.arange(len(now))
    lost = (metres + 1 > drum.start_m) & (metres < drum.end_m - 1)  # a row that two drums share lies in both files
    later = metres >= drum.end_m
    assert lost.any()
    assert later.any()
    assert set(now[lost].tolist()) <= {Verdict.UNVERIFIED, Verdict.NONCONFORMING}  # findings are laid over it
    assert now[later].tolist() == before[metres[later].astype(int) - first].tolist()
    rows = reader.rows("core-1", drum.start_m, drum.end_m - 1, ["oven-a/temperature"])
    assert np.isnan(rows["oven-a/temperature"]).all()
    assert caplog.text.count("cannot be read") == 1


@pytest.mark.parametrize("marked", [False, True], ids=["", "found by the monitor"])
@pytest.mark.parametrize("way", WAYS)
def test_sums_of_a_drum_whose_file_cannot_be_read_are_those_of_its_ribbon(place, arrivals, way: Damage, marked: bool):
    """A8: the ribbon was unverified, and the list of drums still showed the metres of before."""
    processor = written(place, arrivals)
    path = rollup.roll_drums(processor.writer.engine, place)[0]
    reader = StoreReader(settings_at(place))
    drum = reader.drums("core-1")[-1]
    assert drum.metres["conforming"] > 0
    good = path.read_bytes()
    way(path)
    if marked:
        assert (
            manifest.look_at_next(processor.writer.engine, place, ["core-1"], "") == path.relative_to(place).as_posix()
        )
    found = [
        reader.drum("core-1", drum.filling), reader.drums("core-1")[-1], reader.drum_named("core-1", drum.drum),
        *reader.drums_named(drum.drum), reader.drums_between("core-1", drum.start_m, drum.end_m)[0],
    ]  # fmt: skip
    for one in found:
        assert one.metres["conforming"] + one.metres["suspect"] < 1  # the row that the next drum's file holds too
        assert sum(one.metres.values()) == pytest.approx(drum.end_m - drum.start_m)
    path.write_bytes(good)
    if marked:
        manifest.look_at_next(processor.writer.engine, place, ["core-1"], "")
    assert reader.drums("core-1")[-1] == drum


def test_a_drum_that_is_opened_is_compared_with_its_digest(place, arrivals):
    """A8: its size unchanged, it showed the sums of before until the monitor came to look at it."""
    processor = written(place, arrivals)
    path = rollup.roll_drums(processor.writer.engine, place)[0]
    reader = StoreReader(settings_at(place))
    drum = reader.drums("core-1")[-1]
    flip(path, "oven-a/temperature")  # which no question about sums or verdicts reads
    assert reader.drum("core-1", drum.filling).metres["conforming"] < 1
    assert reader.drums("core-1")[-1].metres["conforming"] < 1
    assert set(reader.verdicts("core-1", drum.start_m, drum.end_m - 1)[1].tolist()) <= {
        Verdict.UNVERIFIED,
        Verdict.NONCONFORMING,
    }


def test_verdicts_of_a_file_of_which_another_column_cannot_be_read_are_unverified(place, arrivals):
    """A8: a record must not count as conforming what nobody can look at any more."""
    processor = written(place, arrivals)
    path = rollup.roll_drums(processor.writer.engine, place)[0]
    reader = StoreReader(settings_at(place))
    drum = reader.drums("core-1")[-1]
    flip(path, "oven-a/temperature")
    rows = reader.rows("core-1", drum.start_m, drum.end_m - 1, ["oven-a/temperature"])
    assert np.isnan(rows["oven-a/temperature"]).all()
    _, now = reader.verdicts("core-1", drum.start_m, drum.end_m - 1)
    assert set(now.tolist()) <= {Verdict.UNVERIFIED, Verdict.NONCONFORMING}
    assert reader.drums("core-1")[-1].metres["conforming"] < 1  # the row that the next drum's file holds too


# ---- what cannot be moved --------------------------------------------------------------------------------------------


def samples_of(place: Path) -> list[float]:
    return StoreReader(settings_at(place)).samples(OVEN, 0, 10**15).v.tolist()


def test_a_disk_that_is_full_while_an_hour_is_written_costs_nothing(place, monkeypatch):
    """A8: the file gets no name, its hour stays in the database, the others move; later it moves too."""
    processor, before = written(place, slow_script()), [290.0 + i for i in range(20)]
    sync, calls = os.fsync, iter(range(10**6))

    def full(file: int) -> None:
        if next(calls) == 0:
            raise OSError(28, "No space left on device")
        sync(file)

    with monkeypatch.context() as m:
        m.setattr(os, "fsync", full)
        failed: dict[str, str] = {}
        assert len(rollup.roll_hours(processor.writer.engine, place, 0, None, failed.__setitem__)) == 2
    assert [reason for reason in failed.values() if "No space left" in reason] == list(failed.values())
    assert len(failed) == 1
    assert len(hours(place)) == 2
    assert samples_of(place) == before
    assert len(rollup.roll_hours(processor.writer.engine, place, 0)) == 1
    assert samples_of(place) == before


def test_a_folder_that_cannot_be_entered_keeps_only_its_own_line_in_the_database(place, monkeypatch, caplog):
    """A8: where the folder of a line should be, there is something else."""
    both = [Arrival(a.topic.replace("core-1", line), a.payload, a.received_s)
            for a in slow_script() for line in ("core-1", "core-2")]  # fmt: skip
    processor = written(place, both)
    (place / "lines").mkdir()
    (place / "lines" / "core-1").write_text("no folder")
    monkeypatch.setattr(processor_module, "each_hour", partial(keeping_none, rollup.each_hour))
    for _ in range(3):
        assert list(processor.rolling())
    assert len(sorted((place / "lines" / "core-2").rglob("*.parquet"))) == 3
    assert samples_of(place) == [290.0 + i for i in range(20)]
    assert len([r for r in caplog.records if "cannot be moved into a file" in r.message]) == 3  # once for each hour
    [problem] = processor.problems
    assert "lines/core-1" in problem
    assert "and 2 more; the database keeps it" in problem
    (place / "lines" / "core-1").unlink()
    list(processor.rolling())
    assert len(hours(place)) == 3
    assert processor.problems == []


@pytest.mark.parametrize("name", ["13 (copy).parquet", "notes.parquet", "99.parquet", ".parquet"])
def test_a_file_that_is_not_ours_is_passed_over(place, name):
    """A8: a copy that somebody laid beside the hours ended every reading of them."""
    processor = written(place, slow_script())
    rollup.roll_hours(processor.writer.engine, place, 0)
    (hours(place)[0].parent / name).write_text("not ours")
    (place / "lines" / "core-1" / "2025-12-99").mkdir()
    assert samples_of(place) == [290.0 + i for i in range(20)]
    parts = History(configuration=stored_at(place), line="core-1").read(0, 10**15)
    assert len([m for part in parts for m in part]) == 20


def test_a_defect_in_moving_drums_keeps_no_hour_from_its_file_and_ends_nothing(place, monkeypatch):
    """A8."""
    processor = written(place, slow_script())

    def defect(*_: object) -> Iterator[Path | None]:
        raise ValueError("a defect of the monitor")
        yield

    monkeypatch.setattr(processor_module, "each_drum", defect)
    monkeypatch.setattr(processor_module, "each_hour", partial(keeping_none, rollup.each_hour))
    list(processor.rolling())
    assert len(hours(place)) == 3
    reason = "ValueError: a defect of the monitor"
    assert processor.problems == [f"drums cannot be moved into a file ({reason}); the database keeps it"]


def keeping_none(each: Callable[..., Iterator[Path | None]], engine: Any, folder: Path, _: int, *more: Any) -> Any:
    return each(engine, folder, 0, *more)
