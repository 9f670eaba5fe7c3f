"""Writer, files and reader: what goes in comes out, once, whatever breaks in between."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select, text

from monitor.contract.record import Finding, Output, Rejected, Verdict
from monitor.contract.topics import Stream
from monitor.core.arrival import Arrival
from monitor.shell.broker_link import Received
from monitor.shell.processor import Processor
from monitor.store import rolling as rollup
from monitor.store.metre_blocks import lay_over
from monitor.store.numbering import HOLES_MAX, MISSING_MAX
from monitor.store.reader import StoreReader
from monitor.store.schema import GAP
from monitor.store.writer import Batch, Writer
from tests.core.script import T0, Script, finding
from tests.core.test_pipeline import core_line, record
from tests.shell.works import everything, processor_at, settings_at, take

OVEN = Stream("core-1", "oven-a", "temperature")


def busy(script: Script, s: int) -> None:
    if s in (30, 70):
        script.send_samples("spark-electrode/spark-fault", T0 + s + 0.3, 1)
    if s == 60:
        script.send("take-up/drum", T0 + s, drum="C1-0002", recipe="core-2g5")
    if s == 90:
        script.send("take-up/drum", T0 + s, drum="C1-0003", recipe="core-2g5")


@pytest.fixture(scope="module")
def arrivals() -> list[Arrival]:
    return core_line(130, before=busy).sorted()


def test_the_record_read_is_the_record_made(place, arrivals):
    processor = processor_at(place)
    out: list[Output] = []
    for start in range(0, len(arrivals), 300):
        batch = processor.take([Received(a, lambda: None) for a in arrivals[start : start + 300]], T0 + start)
        processor.writer.write(batch)
        out += batch.outputs
    _, made = record(out)
    reader = StoreReader(settings_at(place))
    first = int(made["first"][0])
    rows = reader.rows("core-1", first, first + len(made["verdict"]))
    for name, column in made.items():
        if name not in ("verdict", "first"):
            assert np.array_equal(rows[name], column, equal_nan=True), name
    newest = {f.key: f for f in out if isinstance(f, Finding)}
    assert sorted(f.key for f in reader.findings("core-1", -1e9, 1e9)) == sorted(newest)
    assert [d.drum for d in reader.drums("core-1")] == ["C1-0003", "C1-0002", "C1-0001"]
    processor.writer.write(processor.last_batch())
    assert reader.newest_ms("core-1")["oven-a/temperature"] == round((T0 + 129.5) * 1e3)


def test_gaps_of_the_same_numbers_in_other_numberings_are_all_kept(place):
    """Numbers begin again, with a name of their numbering or without: each loss of number 1 is one of its own."""
    processor = processor_at(place, lines=["core-1"])
    for i, start in enumerate([None, None, 1000, 2000]):
        named = {} if start is None else {"start": start}
        script = Script()
        for n in range(3):
            script.send_samples("oven-a/temperature", T0 + 100 * i + 10 * n, 250.0, **named)
        del script.arrivals[1]
        script.send_samples("oven-b/temperature", T0 + 100 * i + 90, 250.0, **named)
        take(processor, script.sorted())
    expected = [("oven-a/temperature", 1, 1, round((T0 + 100 * i + 20) * 1e3)) for i in range(4)]
    assert StoreReader(settings_at(place)).gaps("core-1", 0, 10**15) == expected
    with processor.writer.engine.connect() as connection:
        assert connection.execute(select(GAP.c.start).order_by(GAP.c.t_ms)).scalars().all() == [0, 0, 1000, 2000]


def test_a_transaction_that_fails_leaves_nothing_and_may_be_tried_again(place, arrivals, monkeypatch):
    from monitor.shell.broker_link import Received
    from monitor.store import writer as module

    processor = processor_at(place)
    take(processor, arrivals[:400])
    before = everything(place)
    batch = processor.take([Received(a, lambda: None) for a in arrivals[400:2000]], T0)

    def broken(*_: object, **__: object) -> None:
        raise OSError("disk full")

    with monkeypatch.context() as m:
        m.setattr(module, "_newest", broken)
        with pytest.raises(OSError, match="disk full"):
            processor.writer.write(batch)
    assert everything(place) == before
    processor.writer.write(batch)
    take(processor, arrivals[2000:])
    take(undisturbed := processor_at(place / "other"), arrivals)
    assert undisturbed.writer.last_id == processor.writer.last_id
    assert everything(place) == everything(place / "other")


def test_writing_the_same_outputs_again_changes_nothing(place, arrivals):
    from monitor.shell.broker_link import Received

    processor = processor_at(place)
    batch = processor.take([Received(a, lambda: None) for a in arrivals], T0)
    processor.writer.write(batch)
    once = everything(place)
    processor.writer.write(Batch(outputs=[o for o in batch.outputs if not isinstance(o, Rejected)]))
    assert everything(place) == once


def test_repeated_messages_are_stored_once_and_answered_each_time(place, arrivals):
    processor = processor_at(place)
    take(processor, arrivals)
    count = processor.writer.last_id
    take(processor, arrivals[-300:])
    assert processor.writer.last_id == count
    with processor.writer.engine.connect() as c:
        doubled = c.execute(
            text("select station, n, count(*) from message group by 1, quantity, 2 having count(*) > 1")
        )
        assert doubled.all() == []


def test_the_ledger_is_there_again_after_a_new_start(place, arrivals):
    processor = processor_at(place)
    take(processor, arrivals[:500])
    spans = {s: x.text() for s, x in processor.writer.ledger.streams.items()}
    again = Writer(settings_at(place))
    assert {s: x.text() for s, x in again.ledger.streams.items()} == spans
    assert again.last_id == processor.writer.last_id


verdicts = st.lists(st.sampled_from(list(Verdict)), min_size=1, max_size=30)
stretches = st.lists(st.tuples(st.floats(90, 135), st.floats(0, 12), st.sampled_from(list(Verdict))), max_size=6)


@given(verdicts, stretches)
def test_the_graver_verdict_stands_and_a_metre_that_is_touched_is_touched_whole(base, laid):
    row = np.array([int(v) for v in base], dtype=np.int8)
    findings = [finding(a, a + size, line="l", key=str(i), verdict=v) for i, (a, size, v) in enumerate(laid)]
    out = lay_over(100, row, findings)
    for k, value in enumerate(out):
        touching = [int(f.verdict) for f in findings if f.end_m >= 100 + k and f.start_m < 101 + k]
        assert value == max([int(row[k]), *touching])


def test_rejected_messages_are_counted_by_kind_and_keep_their_newest_example(place):
    processor = processor_at(place)
    bad = [Arrival("tarn/core-1/oven-a/temperature", f"no {i}".encode(), T0 + i) for i in range(5)]
    take(processor, bad, 2)
    (row,) = StoreReader(settings_at(place)).rejected()
    assert (row.line, row.kind, row.count) == ("core-1", "not JSON", 5)
    assert "no 4" in row.why


def test_strangers_share_one_row_of_rejected_messages_a_kind(place):
    """A11: a row for each foreign line name would let anyone fill the table."""
    processor = processor_at(place)
    take(processor, [Arrival(f"tarn/line-{i}/oven-a/temperature", b"{}", T0 + i) for i in range(300)], 50)
    (row,) = StoreReader(settings_at(place)).rejected()
    assert (row.line, row.kind, row.count) == ("", "unknown line", 300)
    assert row.topic == "tarn/line-299/oven-a/temperature"


def rolled(processor: Processor, folder: Path) -> None:
    rollup.roll_drums(processor.writer.engine, folder)
    rollup.roll_hours(processor.writer.engine, folder, 0)


def test_a_finished_drum_is_a_file_with_a_row_a_metre_and_its_length_adds_up(place, arrivals):
    processor = processor_at(place)
    take(processor, arrivals)
    before = everything(place)
    assert [p.name for p in rollup.roll_drums(processor.writer.engine, place)] == ["000001.parquet", "000002.parquet"]
    after = everything(place)
    assert after["rows"] == before["rows"]
    assert after["verdict"] == before["verdict"]
    for drum in StoreReader(settings_at(place)).drums("core-1"):
        if drum.end_m is not None:
            assert sum(drum.metres.values()) == pytest.approx(drum.end_m - drum.start_m)


STEPS = ["write_each", "metres_by_verdict", "delete", "update"]


@pytest.mark.parametrize("step", STEPS)
def test_a_roll_that_is_killed_at_any_step_loses_and_doubles_nothing(place, arrivals, monkeypatch, step):
    processor = processor_at(place)
    take(processor, arrivals)
    processor.writer.write(processor.last_batch())
    before = everything(place)
    trend = StoreReader(settings_at(place)).samples(OVEN, 0, 10**15)

    def killed(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    for roll in (rollup.roll_drums, lambda e, f: rollup.roll_hours(e, f, -rollup.HOUR_MS)):
        with monkeypatch.context() as m:
            m.setattr(rollup, step, killed)
            try:
                roll(processor.writer.engine, place)
            except KeyboardInterrupt:
                (place / "lines").mkdir(exist_ok=True)
        same(everything(place), before)
        roll(processor.writer.engine, place)
        same(everything(place), before)
    now = StoreReader(settings_at(place)).samples(OVEN, 0, 10**15)
    assert now.t_ms.tolist() == trend.t_ms.tolist()
    assert now.v.tolist() == trend.v.tolist()


def same(one: dict, other: dict) -> None:
    for name in one:
        if name != "drums":
            assert one[name] == other[name], name


def test_half_a_file_left_by_a_kill_harms_nothing(place, arrivals):
    processor = processor_at(place)
    take(processor, arrivals)
    (place / "drums" / "core-1").mkdir(parents=True)
    (place / "drums" / "core-1" / "000001.aside").write_bytes(b"PAR1 half")
    before = everything(place)
    rolled(processor, place)
    same(everything(place), before)


def test_messages_that_come_for_an_hour_already_rolled_join_it(place):
    script = Script()
    for i in range(30):
        script.send_samples("oven-a/temperature", T0 + i * 600.0, 290.0 + i)
    arrivals = script.sorted()
    processor = processor_at(place)
    late = arrivals.pop(28)
    take(processor, arrivals)
    processor.writer.write(processor.last_batch())
    rollup.roll_hours(processor.writer.engine, place, 0)
    take(processor, [late])
    processor.writer.write(processor.last_batch())
    rollup.roll_hours(processor.writer.engine, place, 0)
    trend = StoreReader(settings_at(place)).samples(OVEN, 0, 10**15)
    assert trend.v.tolist() == [290.0 + i for i in range(30)]


def test_anyone_reads_the_files(place, arrivals):
    import duckdb

    processor = processor_at(place)
    take(processor, arrivals)
    processor.writer.write(processor.last_batch())
    rollup.roll_drums(processor.writer.engine, place)
    rollup.roll_hours(processor.writer.engine, place, -rollup.HOUR_MS)
    count = duckdb.sql(f"select count(*) from '{place}/drums/core-1/000001.parquet' where verdict = 0").fetchall()[0]
    assert count is not None
    assert count[0] > 50
    payload = duckdb.sql(f"select story from '{place}/lines/core-1/*/*.parquet' where quantity = 'state'").fetchall()[0]
    assert payload is not None
    assert json.loads(payload[0])["state"] == "running"


def test_a_number_too_old_to_be_remembered_is_rejected_with_a_reason(place):
    """Neither dropped as stored nor stored twice: its publisher learns that it is unknown."""
    processor = processor_at(place)

    def temperature(n: int) -> Arrival:
        payload = json.dumps({"n": n, "t": round(T0 * 1e3) + n, "v": 250}).encode()
        return Arrival("tarn/core-1/oven-a/temperature", payload, T0 + n / 1e3)

    take(processor, [temperature(2 * k) for k in range(HOLES_MAX + 10)])
    batch = processor.take([Received(temperature(1), lambda: None)], T0)
    processor.write(batch)
    (rejected,) = (o for o in batch.outputs if isinstance(o, Rejected))
    assert rejected.kind == "number forgotten"
    assert not batch.messages


def test_a_lost_message_between_refused_ones_is_stored_when_it_comes_again(place):
    """Every second message is no number; 6 comes after 600 of them, and after a restart of the monitor."""
    processor = processor_at(place)

    def temperature(n: int) -> Arrival:
        payload = b'{"n":%d,"t":%d,"v":%s}' % (n, round(T0 * 1e3) + n, b"NaN" if n % 2 else b"250")
        return Arrival("tarn/core-1/oven-a/temperature", payload, T0 + n / 1e3)

    take(processor, [temperature(n) for n in range(1200) if n != 6])
    processor.writer.read_again()
    batch = processor.take([Received(temperature(6), lambda: None)], T0)
    reports = processor.write(batch).stored.values()
    assert [message.n for message, _ in batch.messages] == [6]
    assert not [o for o in batch.outputs if isinstance(o, Rejected)]
    assert any(report.covers(0, 6) for report in reports)
    assert not any(report.covers(0, n) for report in reports for n in range(1, 1200, 2))


def test_what_was_refused_for_now_is_stored_after_more_holes_than_the_ledger_remembers(place):
    """A clock that is wrong for every second message, for longer than 2000 of them, and a restart of the monitor."""
    processor, count = processor_at(place), 2 * (HOLES_MAX + 50)

    def tension(n: int, ahead_s: float = 0.0) -> Arrival:
        payload = json.dumps({"n": n, "t": round(T0 * 1e3) + n, "v": 80}).encode()
        return Arrival("tarn/core-1/take-up/tension", payload, T0 + n / 1e3 - ahead_s)

    take(processor, [tension(n, 60.0 if n % 2 else 0.0) for n in range(count)], 1000)
    assert processor.rejected["clock ahead"] == count / 2
    processor.writer.read_again()
    again = [tension(n) for n in range(1, count, 2)]
    batch = processor.take([Received(a, lambda: None) for a in again], T0 + 10)
    reports = processor.write(batch).stored.values()
    assert [message.n for message, _ in batch.messages] == list(range(1, count, 2))
    assert max(len(report.missing) for report in reports) <= MISSING_MAX
    assert {n for report in reports for n in range(report.first, report.n + 1) if report.covers(0, n)} >= set(
        range(1, count, 2)
    )
