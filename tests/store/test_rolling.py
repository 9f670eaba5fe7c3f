"""Hour files: what rolls into them comes back as it was, also where numbers begin again."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine, event, insert, select, text, update

from monitor.contract.record import WITHDRAWN, DrumSpan, MetreRows, Output, Verdict
from monitor.contract.topics import Stream
from monitor.core.arrival import Arrival, Message
from monitor.shell.processor import Processor
from monitor.store import manifest
from monitor.store import rolling as rollup
from monitor.store.message_history import History
from monitor.store.reader import StoreReader
from monitor.store.schema import CHECKPOINT, DRUM, MESSAGE
from monitor.store.writer import Batch, Writer
from tests.core.script import T0, finding
from tests.shell.works import processor_at, settings_at, take


def arrival(path: str, second: float, **fields: object) -> Arrival:
    payload = json.dumps({"t": round((T0 + second) * 1e3), **fields}).encode()
    return Arrival(f"tarn/core-1/{path}", payload, T0 + second + 1)


def connections_out(engine: Engine) -> int:
    """Connections of the pool that are in use."""
    pool: Any = engine.pool
    return int(pool.checkedout())


def kept(processor: Processor) -> list[tuple[int, int]]:
    start_ms = round(T0 * 1e3)
    found = [
        m
        for part in History(configuration=processor.configuration, line="core-1").read(start_ms, start_ms + 100_000)
        for m in part
    ]
    return [(m.start, m.n) for m in found if isinstance(m, Message)]


def rolled(processor: Processor, place: Path) -> None:
    processor.writer.write(processor.last_batch())
    assert rollup.roll_hours(processor.writer.engine, place, -2 * rollup.HOUR_MS, ["core-1"])


def test_messages_of_another_numbering_are_not_taken_for_those_that_a_file_holds(place):
    processor, expected = processor_at(place, lines=["core-1"]), []
    for i in range(3):
        start = 1000 + i
        take(processor, [
            arrival("oven-a/temperature", 10.0 * i, n=0, start=start, v=[250.0, 251.0], dt=500),
            arrival("operator/action", 10.0 * i + 1, n=0, start=start, action="note work", by="Mira", reason="cleaned"),
        ])  # fmt: skip
        expected += [(start, 0), (start, 0)]
        rolled(processor, place)
        assert kept(processor) == expected


def keep(engine: Engine, first_id: int, stamps_ms: list[int], station: str = "oven-a") -> None:
    """Messages of one value, stored with these stamps and known to the checkpoint."""
    rows = [
        {
            "line": "core-1", "id": first_id + i, "station": station, "quantity": "temperature", "n": i,
            "t_ms": t, "end_ms": t, "received_ms": t, "payload": json.dumps({"n": i, "t": t, "v": 1}).encode(),
        }
        for i, t in enumerate(stamps_ms)
    ]  # fmt: skip
    with engine.begin() as connection:
        connection.execute(insert(MESSAGE), rows)
        if connection.execute(select(CHECKPOINT)).first() is None:
            connection.execute(insert(CHECKPOINT).values(line="core-1", message_id=10**9, t_ms=0, state=b""))


@contextmanager
def counted(engine: Engine) -> Iterator[list[str]]:
    """Statements that the database is asked meanwhile."""
    statements: list[str] = []

    def asked(_c: object, _cursor: object, statement: str, *_: object) -> None:
        statements.append(statement)

    event.listen(engine, "before_cursor_execute", asked)
    yield statements
    event.remove(engine, "before_cursor_execute", asked)


EXPLAIN = {"sqlite": "EXPLAIN QUERY PLAN ", "postgresql": "EXPLAIN "}
NOW_MS = 480_000 * rollup.HOUR_MS


def test_hours_without_a_message_cost_nothing(place):
    """A note stored with a stamp of 1970 gave 480,000 hours to look at, each of them a scan."""
    engine = Writer(settings_at(place), ["core-1"]).engine
    keep(engine, 1, [0, *(NOW_MS + i * 60_000 for i in range(61))])
    with counted(engine) as statements:
        moved = rollup.roll_hours(engine, place, 0)
    assert moved == [rollup.hour_file(place, "core-1", t_ms) for t_ms in (0, NOW_MS)]
    assert len(statements) < 40


def test_an_hour_that_fills_while_others_are_full_costs_no_look_at_those_between(place):
    """A gateway that catches up on six days: its hour and the newest are held, the 144 between them are not."""
    engine = Writer(settings_at(place), ["core-1"]).engine
    keep(engine, 1, [NOW_MS + i * rollup.HOUR_MS for i in range(146)])
    assert len(rollup.roll_hours(engine, place, 0)) == 145
    keep(engine, 1000, [NOW_MS + 1000], "oven-b")
    with counted(engine) as statements:
        assert rollup.roll_hours(engine, place, 0) == [rollup.hour_file(place, "core-1", NOW_MS)]
    assert len(statements) < 25


def test_hours_are_found_and_read_by_an_index(place):
    engine = Writer(settings_at(place), ["core-1"]).engine
    keep(engine, 1, [NOW_MS + i * 10_000 for i in range(25 * 360 + 1)])
    if engine.dialect.name == "postgresql":  # it analyses by itself in time, SQLite never
        with engine.begin() as connection:
            connection.execute(text("analyze"))
    plans = {}

    @event.listens_for(engine, "before_cursor_execute")
    def explained(_c: object, cursor: Any, statement: str, parameters: object, *_: object) -> None:
        if "FROM message " in statement.replace("\n", " "):
            cursor.execute(EXPLAIN[engine.dialect.name] + statement, parameters)
            plans[statement] = [str(row[-1]) for row in cursor.fetchall()]

    assert len(rollup.roll_hours(engine, place, 23 * rollup.HOUR_MS)) == 2
    assert len(plans) >= 4
    for statement, plan in plans.items():
        walks = [p for p in plan if p.startswith("SCAN ") or "Seq Scan" in p]
        assert walks == [], f"{statement}: {plan}"
        if "station =" in statement and engine.dialect.name == "sqlite":  # a stream reads no other stream's messages
            assert "message_by_stream" in plan[0]


def wound(filling: int, start_m: float, end_m: float | None) -> DrumSpan:
    """A filling wound at a metre a second."""
    return DrumSpan(
        line="core-1", filling=filling, drum=f"D-{filling}", recipe="core-2g5", revision=1, start_m=start_m,
        end_m=end_m, start_s=T0 + start_m, end_s=None if end_m is None else T0 + end_m, planned_length_m=None,
    )  # fmt: skip


def test_the_row_that_two_drums_share_stays_until_both_have_their_file(place):
    """A drum that begins within a metre loses none of its metres when the drum before it moves into a file."""
    settings = settings_at(place)
    writer = Writer(settings, ["core-1"])
    first, second = wound(1, 0.0, 5.3), wound(2, 5.3, None)
    rows = [MetreRows("core-1", at, np.zeros(size, np.int8), {"x": np.ones(size)}) for at, size in ((0, 6), (6, 4))]
    writer.write(Batch(outputs=[first, second, *rows]))
    assert len(rollup.roll_drums(writer.engine, place)) == 1
    reader = StoreReader(settings)
    assert [d.metres["conforming"] for d in reader.drums("core-1")] == pytest.approx([4.7, 5.3])
    writer.write(Batch(outputs=[replace(second, end_m=9.0, end_s=T0 + 9)]))
    assert len(rollup.roll_drums(writer.engine, place)) == 1
    assert [d.metres["conforming"] for d in reader.drums("core-1")] == pytest.approx([3.7, 5.3])


def test_a_drum_has_the_same_metres_before_and_after_its_rows_move_into_a_file(place):
    """Cable before the first row never gets one: it is unverified in both."""
    settings = settings_at(place)
    writer = Writer(settings, ["core-1"])
    rows = MetreRows("core-1", 3, np.zeros(7, np.int8), {"x": np.ones(7)})
    writer.write(Batch(outputs=[wound(1, 2.25, 9.5), rows]))
    reader = StoreReader(settings)
    (before,) = reader.drums("core-1")
    assert len(rollup.roll_drums(writer.engine, place)) == 1
    assert reader.drums("core-1") == [before]
    assert before.metres == {"conforming": 6.5, "suspect": 0.0, "unverified": 0.75, "nonconforming": 0.0}


def test_metres_marked_after_their_drum_lies_in_its_file_are_counted(place):
    settings = settings_at(place)
    writer = Writer(settings, ["core-1"])
    rows = MetreRows("core-1", 0, np.zeros(10, np.int8), {"x": np.ones(10)})
    writer.write(Batch(outputs=[wound(1, 0.0, 9.0), rows]))
    assert len(rollup.roll_drums(writer.engine, place)) == 1
    reader = StoreReader(settings)

    def metres() -> tuple[float, float]:
        (found,) = reader.drums("core-1")
        return found.metres["conforming"], found.metres["suspect"]

    assert metres() == (9.0, 0.0)
    writer.write(Batch(outputs=[finding(2.0, 3.5)]))
    assert metres() == (7.0, 2.0)
    assert rollup.roll_drums(writer.engine, place) == []
    with writer.engine.connect() as connection:
        assert connection.execute(select(DRUM.c.conforming_m, DRUM.c.suspect_m)).one() == (7.0, 2.0)
    writer.write(Batch(outputs=[finding(2.0, 2.5)]))
    rollup.roll_drums(writer.engine, place)
    assert metres() == (8.0, 1.0)
    writer.write(Batch(outputs=[finding(2.0, 2.5, check=WITHDRAWN, verdict=Verdict.CONFORMING)]))
    rollup.roll_drums(writer.engine, place)
    assert metres() == (9.0, 0.0)


@pytest.mark.parametrize("marked", [(5.0, 5.1), (5.6, 5.7)])
@pytest.mark.parametrize("rolls_before", [0, 1, 2])
def test_a_metre_that_two_drums_share_has_one_verdict_on_both(place, marked, rolls_before):
    """On whichever side a finding is, and whatever has moved into files: the sums of a drum changed with that."""
    settings = settings_at(place)
    writer, reader = Writer(settings, ["core-1"]), StoreReader(settings)
    first, second = wound(1, 0.0, 5.3), wound(2, 5.3, None)
    rows = MetreRows("core-1", 0, np.zeros(10, np.int8), {"x": np.ones(10)})
    outputs: list[list[Output]] = [[first, second, rows], [replace(second, end_m=9.0, end_s=T0 + 9)], []]
    outputs[rolls_before].append(finding(*marked))
    for some in outputs:
        writer.write(Batch(outputs=some))
        if finding(*marked) in some:
            assert [d.metres["suspect"] for d in reader.drums("core-1")] == pytest.approx([0.7, 0.3])
        rollup.roll_drums(writer.engine, place)
    assert [d.metres["suspect"] for d in reader.drums("core-1")] == pytest.approx([0.7, 0.3])
    with writer.engine.connect() as connection:
        sums = connection.execute(select(DRUM.c.suspect_m).order_by(DRUM.c.filling)).scalars().all()
    assert sums == pytest.approx([0.3, 0.7])
    writer.close()
    reader.close()


def test_years_without_messages_are_not_looked_at_hour_by_hour(place):
    """A line's oldest message may lie years before its newest: a stop waited for the walk over 200,000 empty hours."""
    processor = processor_at(place, lines=["core-1"])
    hours = [0.0, 1.0, 250_000.0, 250_001.0]
    for n, hour in enumerate(hours):
        take(processor, [arrival("oven-a/temperature", hour * 3600, n=n, v=250.0)])
    processor.writer.write(processor.last_batch())
    asked = []

    @event.listens_for(processor.writer.engine, "before_cursor_execute")
    def count(*arguments: object) -> None:
        asked.append(arguments[2])

    moved = rollup.roll_hours(processor.writer.engine, place, 0)
    assert moved == [rollup.hour_file(place, "core-1", round((T0 + hour * 3600) * 1e3)) for hour in hours[:3]]
    assert len(asked) < 20 * len(moved)


def test_each_hour_and_drum_is_a_step_with_nothing_held_between(place):
    """Between two of them a batch can be written, and what was not rolled yet stays for the next time."""
    processor = processor_at(place, lines=["core-1"])
    for n in range(4):
        take(processor, [arrival("oven-a/temperature", 3600.0 * n, n=n, v=250.0)])
    processor.writer.write(processor.last_batch())
    steps = rollup.each_hour(processor.writer.engine, place, 0)
    first = next(path for path in steps if path)
    assert connections_out(processor.writer.engine) == 0
    take(processor, [arrival("oven-a/temperature", 3600.0 * 3 + 1, n=4, v=250.0)])
    steps.close()
    assert first == rollup.hour_file(place, "core-1", round(T0 * 1e3))
    assert len(rollup.roll_hours(processor.writer.engine, place, 0)) == 2


def test_a_drums_file_replaces_no_file_that_the_database_does_not_name(place):
    """A8: whoever wrote it; and what this store announced before it was killed is its own."""
    writer = Writer(settings_at(place), ["core-1"])
    rows = MetreRows("core-1", 0, np.zeros(20, np.int8), {"x": np.ones(20)})
    writer.write(Batch(outputs=[wound(1, 0.0, 9.0), wound(2, 9.0, 18.0), rows]))
    unknown, announced = (rollup.drum_file(place, "core-1", filling) for filling in (1, 2))
    unknown.parent.mkdir(parents=True)
    for path in (unknown, announced):
        path.write_bytes(b"another drum")
    entry = manifest.FileEntry(path="drums/core-1/000002.parquet", line="core-1", sha256="0", size_bytes=0, rows=0)
    manifest.announce(writer.engine, entry)
    moved = rollup.roll_drums(writer.engine, place)
    assert [path.name for path in moved] == ["000001-again.parquet", "000002.parquet"]
    assert unknown.read_bytes() == b"another drum"
    assert list(manifest.faults(writer.engine, place)) == []


@pytest.mark.parametrize("stop", [None, *range(6)])
def test_what_comes_while_an_hour_is_written_is_neither_lost_nor_doubled(place, stop):
    """G2: batches are judged between two streams of an hour, and a stop may come there."""
    settings = settings_at(place)
    engine = Writer(settings, ["core-1"]).engine
    sent = {station: [NOW_MS + 1000 * i for i in range(5)] for station in ("oven-a", "oven-b", "oven-c")}
    for i, (station, stamps) in enumerate(sent.items()):
        keep(engine, 10 * i + 1, stamps, station)
    keep(engine, 100, [NOW_MS + rollup.HOUR_MS], "oven-a")
    with engine.begin() as connection:
        connection.execute(update(CHECKPOINT).values(message_id=100))
    steps = 0
    for path in (rolling := rollup.each_hour(engine, place, 0)):
        assert connections_out(engine) == 0
        assert path in (None, rollup.hour_file(place, "core-1", NOW_MS))
        late = NOW_MS + 500 + 1000 * steps
        keep(engine, 200 + steps, [late], "oven-b")
        sent["oven-b"].append(late)
        if steps == stop:
            rolling.close()
        steps += 1
    assert steps == (5 if stop is None else min(stop + 1, 5))
    reader = StoreReader(settings)
    for again in (False, True):
        if again:
            with engine.begin() as connection:
                connection.execute(update(CHECKPOINT).values(message_id=1000))
            assert len(rollup.roll_hours(engine, place, 0)) == 1
        for station, stamps in sent.items():
            found = reader.samples(Stream("core-1", station, "temperature"), NOW_MS, NOW_MS + rollup.HOUR_MS - 1)
            assert found.t_ms.tolist() == sorted(stamps)
    assert list(manifest.faults(engine, place)) == []
