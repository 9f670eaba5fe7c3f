"""What the reader answers is the record, out of database and files, however its parts lie."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.contract.topics import Stream
from monitor.core.arrival import Arrival
from monitor.store import rolling as rollup
from monitor.store.reader import StoreReader
from tests.core.script import T0, Script
from tests.core.test_pipeline import core_line
from tests.core.test_whole_cable import laying_up, put_on
from tests.shell.works import processor_at, settings_at, take
from tests.store.test_writer import busy

OVEN = Stream("core-1", "oven-a", "temperature")


@pytest.fixture(scope="module")
def arrivals() -> list[Arrival]:
    return core_line(130, before=busy).sorted()


def test_a_store_that_is_not_there_yet_has_nothing_and_says_so_quietly(place):
    reader = StoreReader(settings_at(place / "none"))
    assert list(reader.lines_now()) == list(reader.alarms_now()) == list(reader.drums()) == []
    assert reader.drum("core-1", 1) is reader.drum_named("core-1", "x") is None
    assert len(reader.verdicts("core-1", 0, 100)[1]) == 0
    assert len(reader.samples(OVEN, 0, 10**15).t_ms) == 0
    assert not (place / "none").exists()


def test_samples_come_back_as_they_were_sent_from_database_files_and_both(place):
    script = Script()
    rng = np.random.default_rng(3)
    sent_t, sent_v = [], []
    for i in range(40):
        t = T0 + i * 300.0
        v = np.round(rng.normal(290, 2, 4), 3)
        script.send_samples("oven-a/temperature", t, v, 0.5)
        sent_t += [round((t + 0.5 * k) * 1e3) for k in range(4)]
        sent_v += v.tolist()
    processor = processor_at(place)
    take(processor, script.sorted(), 7)
    processor.writer.write(processor.last_batch())
    reader = StoreReader(settings_at(place))
    for keep_hours in (10.0, 1.0, 0.0):
        rollup.roll_hours(processor.writer.engine, place, round(keep_hours * rollup.HOUR_MS))
        trend = reader.samples(OVEN, 0, 10**15)
        assert trend.t_ms.tolist() == sent_t
        assert trend.v.tolist() == sent_v
        some = reader.samples(OVEN, sent_t[10], sent_t[20])
        assert some.t_ms.tolist() == sent_t[10:21]
    assert len(list((place / "lines" / "core-1").rglob("*.parquet"))) == 3


@settings(max_examples=20, deadline=None)
@given(st.lists(st.integers(0, 1999), max_size=4))
def test_a_reader_beside_the_writer_never_sees_half_a_batch(tmp_path_factory, cuts):
    folder = tmp_path_factory.mktemp("store")
    processor = processor_at(folder)
    script = Script()
    for i in range(200):
        script.send_samples("oven-a/temperature", T0 + i, 290.0)
    reader = StoreReader(settings_at(folder))
    edges = [0, *sorted(c // 10 for c in cuts), 200]
    for a, b in pairwise(edges):
        take(processor, script.arrivals[a:b], 10**6)
        assert len(reader.samples(OVEN, 0, 10**15).t_ms) == b


def test_the_line_metre_of_a_time_lies_straight_between_changes_of_state(place):
    """230 m/min from 1000 m on: the script's own track; before it is known there is none."""
    processor = processor_at(place)
    take(processor, core_line(60).sorted())
    processor.writer.write(processor.last_batch())
    reader = StoreReader(settings_at(place))
    assert reader.metre_at("core-1", round((T0 - 10) * 1e3)) is None
    for s in (10, 30, 50):
        assert reader.metre_at("core-1", round((T0 + s) * 1e3)) == pytest.approx(1000 + s * 230 / 60, abs=2.0)
    assert reader.metre_at("core-1", round((T0 + 1e6) * 1e3)) == pytest.approx(reader.lines_now()[0].line_metre)


def test_metres_on_no_drum_before_a_finished_one_hide_nothing_of_it(place):
    """Rows of a drum lie in its file, those around it on no drum stay in the database: together they are the line."""

    def on_and_off(script: Script, s: int) -> None:
        if s == 70:
            script.send("take-up/drum", T0 + s, drum=None)
        if s == 90:
            script.send("take-up/drum", T0 + s, drum="C1-0002", recipe="core-2g5")

    processor = processor_at(place)
    take(processor, core_line(130, before=on_and_off).sorted())
    reader = StoreReader(settings_at(place))
    before, rows = reader.verdicts("core-1", 0, 1e9), reader.rows("core-1", 0, 1e9)
    assert rollup.roll_drums(processor.writer.engine, place)
    after, rolled = reader.verdicts("core-1", 0, 1e9), reader.rows("core-1", 0, 1e9)
    assert after[0] == before[0]
    assert after[1].tolist() == before[1].tolist()
    assert all(np.array_equal(rows[name], rolled[name], equal_nan=True) for name in rows)


def test_drums_put_on_are_read_along_the_line_and_by_name(place):
    processor = processor_at(place, lines=["lay-1"])
    take(processor, laying_up(90, before=put_on).sorted())
    reader = StoreReader(settings_at(place))
    every = reader.splices("lay-1", 0, 1e9)
    assert [(s.position, s.drum) for s in every] == [
        ("pay-off-a", "C1-0001"), ("pay-off-b", "C2-0001"), ("pay-off-a", "C1-0007"),
    ]  # fmt: skip
    (first, other, second) = every
    after = second.line_metre + 1
    assert [s.drum for s in reader.splices("lay-1", after, after + 5)] == ["C2-0001", "C1-0007"]
    assert [s.drum for s in reader.splices("lay-1", first.line_metre + 1, second.line_metre)] == ["C1-0001", "C2-0001"]
    assert reader.splices_of("C1-0007") == [second]
    assert reader.splices_of("none") == reader.drums_named("none") == []
    (drum,) = reader.drums_named("L1-0001")
    assert [d.drum for d in reader.drums_between("lay-1", drum.start_m + 1, drum.start_m + 2)] == ["L1-0001"]
    assert reader.drums_between("lay-1", 0, drum.start_m - 1) == []
    assert (other.left_m, second.left_m) == (None, 700.0)


def test_the_time_of_a_metre_is_that_of_the_counter(place, arrivals):
    processor = processor_at(place)
    take(processor, arrivals)
    reader = StoreReader(settings_at(place))
    assert reader.time_at("core-1", 1000 + 230) == pytest.approx((T0 + 60) * 1e3, abs=1500)
    assert reader.time_at("core-1", 10.0) is None
    assert reader.time_at("core-1", 1e6) is None
