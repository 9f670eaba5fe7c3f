"""A5: the real service over a store that refuses what no message is at fault for, on both databases.

Nothing is lost, doubled or acknowledged that is not stored; the reason is on Health, and in the log once.
"""

import asyncio
import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any

import pytest
from psycopg.errors import DiskFull
from sqlalchemy import Connection, Engine, event, select, text
from sqlalchemy.exc import DataError, OperationalError

from monitor.contract.topics import MONITOR
from monitor.core.arrival import Arrival
from monitor.shell import processor as processor_module
from monitor.shell import salvage
from monitor.shell import service as module
from monitor.shell.broker_link import Received
from monitor.shell.restore import restore
from monitor.shell.service import Service
from monitor.store.database import open_for_writing
from monitor.store.reader import StoreReader
from monitor.store.schema import CHECKPOINT, LINE_NOW, MESSAGE, REJECTED, SET_ASIDE
from monitor.store.writer import Batch
from tests.core.test_pipeline import core_line
from tests.shell.test_salvage import store
from tests.shell.test_stop import StoryClock, StubLink, acknowledged_or_stopped, assert_nothing_is_claimed, read
from tests.shell.works import SERVER, everything, numbers_stored, processor_at, settings_at, take, until

BATCH = 60


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    values = {"BATCH": BATCH, "LINGER_S": 0.001, "AGAIN_S": 0.02, "AGAIN_MAX_S": 0.05, "STOP_WITHIN_S": 0.5}
    for name, value in (values | {"KEEP_HEALTH_MS": 0, "ROLL_EVERY_S": 0.1}).items():
        monkeypatch.setattr(module, name, value)
    monkeypatch.setattr(processor_module, "CHECKPOINT_EVERY_S", 0.0)


@pytest.fixture(scope="module")
def arrivals() -> list[Arrival]:
    return core_line(12).sorted()


@pytest.fixture(scope="module")
def undisturbed(arrivals: list[Arrival], tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    folder = tmp_path_factory.mktemp("undisturbed")
    processor = processor_at(folder, lines=["core-1"])
    take(processor, arrivals)
    processor.writer.write(processor.last_batch())
    return everything(folder)


def a_service(place: Any, link: StubLink, again: bool = False, lines: Sequence[str] = ("core-1",)) -> Service:
    link.begin()
    clock = StoryClock(link.arrivals[0].received_s)
    return Service(processor=processor_at(place, again, list(lines)), link=link, clock=clock)


def problems(place: Any) -> list[str]:
    return [problem for row in StoreReader(settings_at(place)).health() for problem in row.problems]


async def eventually(ready: Callable[[], object], what: str) -> None:
    await asyncio.to_thread(until, ready, 20.0, what)


# ---- the store is not as expected ------------------------------------------------------------------------------------


def missing(engine: Engine) -> Callable[[], None]:
    with engine.begin() as c:
        c.execute(text("alter table state_span rename to state_span_away"))

    def back() -> None:
        with engine.begin() as c:
            c.execute(text("alter table state_span_away rename to state_span"))

    return back


def read_only(engine: Engine) -> Callable[[], None]:
    """Whoever gave the permission has taken it away."""
    on, off = {
        "sqlite": ("pragma query_only = 1", "pragma query_only = 0"),
        "postgresql": ("set transaction read only", "select 1"),
    }[engine.dialect.name]  # fmt: skip
    way = {"now": on}

    def begun(connection: Connection) -> None:
        connection.exec_driver_sql(way["now"])

    event.listen(engine, "begin", begun)
    return lambda: way.update(now=off)


def refuses_all(engine: Engine) -> Callable[[], None]:
    """A rule on the table of messages that none of them fulfils."""
    postgresql = engine.dialect.name == "postgresql"
    rule = (
        "alter table message add constraint none check (n < -1) not valid" if postgresql else
        "create trigger none before insert on message begin select raise(abort, 'none'); end"
    )  # fmt: skip
    with engine.begin() as c:
        c.execute(text(rule))

    def back() -> None:
        with engine.begin() as c:
            c.execute(text("alter table message drop constraint none" if postgresql else "drop trigger none"))

    return back


def full_disk(engine: Engine, table: str = "message") -> Callable[[], None]:
    """The database's own refusal: SQLite's for any new page, the server's for rows of a table."""
    if engine.dialect.name == "sqlite":
        way = {"now": "pragma max_page_count = 1"}  # that is: no more than it has
        event.listen(engine, "begin", lambda connection: connection.exec_driver_sql(way["now"]))
        return lambda: way.update(now="pragma max_page_count = 1073741823")
    refusal = "'could not extend file \"base/1/2\": No space left on device' using errcode = 'disk_full'"
    with engine.begin() as c:
        c.execute(text(f"create or replace function full_{table}() returns trigger language plpgsql as $$"
                       f" begin raise exception {refusal}; end $$"))  # fmt: skip
        events = "insert or update or delete"
        c.execute(text(f"create trigger full_disk before {events} on {table} execute function full_{table}()"))

    def back() -> None:
        with engine.begin() as c:
            c.execute(text(f"drop trigger full_disk on {table}"))

    return back


FAULTS = {"missing table": missing, "read only": read_only, "refuses all": refuses_all, "full disk": full_disk}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_store_that_is_not_as_expected_is_reported_and_waited_for(
    place, arrivals, undisturbed, caplog, monkeypatch, fault
):
    link, tries, write = StubLink(arrivals), Counter[str](), processor_module.Processor.write
    caplog.set_level("INFO", "monitor")

    def counted(self: processor_module.Processor, batch: Any) -> Any:
        tries["count"] += 1
        return write(self, batch)

    monkeypatch.setattr(processor_module.Processor, "write", counted)

    async def run() -> None:
        service = a_service(place, link)
        back = FAULTS[fault](service.processor.writer.engine)
        work = asyncio.create_task(service.run())
        await eventually(lambda: service._problem, "the problem")
        await eventually(lambda: service._health and service._health.problems, "the problem on Health")
        if fault == "full disk":
            assert re.search("disk is full|No space left on device", service._problem)
            assert "see its tables" not in service._problem
        elif fault != "read only":
            await eventually(lambda: problems(place), "the problem in the store")
            assert "see its tables and permissions" in problems(place)[0]
        before = tries["count"]
        await eventually(lambda: tries["count"] > before + 5, "further tries")
        assert not link.acknowledged
        assert [r.message for r in caplog.records if r.message.startswith("the store cannot be written")] == [
            service._problem
        ]
        back()
        await asyncio.wait_for(link.done.wait(), 60)
        await eventually(lambda: service._health and not service._health.problems, "an end of the problem")
        await acknowledged_or_stopped(work, link)

    asyncio.run(run())
    assert "the store can be written again" in caplog.text
    assert read(place, select(SET_ASIDE)) == []
    assert_nothing_is_claimed(place, link)
    assert len(read(place, select(MESSAGE.c.n).where(MESSAGE.c.station != MONITOR))) == len(arrivals)
    assert everything(place) == undisturbed


def tables_of(processor: processor_module.Processor, batch: Batch) -> list[str]:
    """Tables that a batch writes, in order."""
    found: dict[str, None] = {}

    def meant(_c: object, _cursor: object, statement: str, *_: object) -> None:
        if written := re.match(r"(?:INSERT INTO|UPDATE|DELETE FROM) (\w+)", statement):
            found[written[1]] = None

    event.listen(processor.writer.engine, "before_cursor_execute", meant)
    processor.writer.probe(batch)
    event.remove(processor.writer.engine, "before_cursor_execute", meant)
    return list(found)


def test_the_servers_disk_full_at_any_table_costs_nothing(server, arrivals, undisturbed, tmp_path):
    """The server's own refusal, which ends its transaction: nothing is stored or set aside, and the batch is kept."""
    (tmp_path / SERVER).write_text(server)
    processor, met = processor_at(tmp_path, lines=["core-1"]), set()
    database = processor.writer.engine
    for start in range(0, len(arrivals), BATCH):
        part = arrivals[start : start + BATCH]
        batch = processor.take([Received(a, lambda: None) for a in part], part[-1].received_s)
        stored = numbers_stored(database)
        for table in tables_of(processor, batch):
            met.add(table)
            back = full_disk(database, table)
            with pytest.raises(OperationalError, match="No space left on device") as refusal:
                processor.write(batch)
            assert isinstance(refusal.value.orig, DiskFull)
            assert processor.pending is batch
            assert numbers_stored(database) == stored
            back()
        processor.write(batch)
    processor.writer.write(processor.last_batch())
    assert {"message", "ledger", "metre_block", "drum", "line_now", "checkpoint"} <= met
    assert read(tmp_path, select(SET_ASIDE)) == []
    assert everything(tmp_path) == undisturbed


def test_a_defect_while_writing_is_reported_and_ends_nothing(place, arrivals, undisturbed, monkeypatch, caplog):
    link, failures = StubLink(arrivals), iter(range(5))

    def fails(self: Any) -> None:
        if next(failures, None) is not None:
            raise ZeroDivisionError("a defect of the monitor")
        run(self)

    run = salvage.Salvage.run

    async def disturbed() -> None:
        service = a_service(place, link)
        refused_once(service.processor.writer.engine, "message", 2)
        work = asyncio.create_task(service.run())
        await asyncio.wait_for(link.done.wait(), 60)
        await acknowledged_or_stopped(work, link)

    monkeypatch.setattr(salvage.Salvage, "run", fails)
    asyncio.run(disturbed())
    assert len([r for r in caplog.records if "a defect of the monitor" in r.message]) == 1
    assert_nothing_is_claimed(place, link)
    assert everything(place) == undisturbed


# ---- rows of the monitor's own ---------------------------------------------------------------------------------------


def refused_once(engine: Engine, table: str, times: int = 1) -> None:
    """The database refuses what would go into a table, as data, so many times."""
    left = iter(range(times))

    def look(_c: Any, _cursor: Any, statement: str, _p: Any, *_: Any) -> None:
        if statement.lower().startswith(f"insert into {table} ") and next(left, None) is not None:
            raise DataError(statement, {}, ValueError("a value that no column holds"))

    event.listen(engine, "before_cursor_execute", look)


@contextmanager
def refusing(engine: Engine, table: str) -> Iterator[None]:
    refused_once(engine, table, 10**6)
    yield


@pytest.mark.parametrize("table", ["line_now", "checkpoint", "health", "rejected"])
def test_a_row_that_the_monitor_makes_and_the_database_refuses_stops_nothing(
    place, arrivals, undisturbed, caplog, table
):
    """The row is left out, counted and logged once; the next start goes on from an older snapshot or none."""
    unreadable = Arrival(arrivals[0].topic, b"no message", arrivals[5].received_s)
    link = StubLink([*arrivals[:50], unreadable, *arrivals[50:]])

    async def run() -> None:
        service = a_service(place, link)
        with refusing(service.processor.writer.engine, table):
            work = asyncio.create_task(service.run())
            await asyncio.wait_for(link.done.wait(), 60)
            if table == "health":
                await eventually(lambda: service.processor.counts().get("not recorded"), "its count")
            await acknowledged_or_stopped(work, link)
        assert service.processor.counts()["not recorded"] > 0

    asyncio.run(run())
    assert (
        len([r for r in caplog.records if f"the database refuses what the monitor writes as {table}" in r.message]) == 1
    )
    assert read(place, select(SET_ASIDE)) == []
    counted = {r.kind: r._mapping["count"] for r in read(place, select(REJECTED))}
    assert (counted.get("not recorded", 0) > 0) is (table != "rejected")
    assert len(read(place, select(MESSAGE.c.n).where(MESSAGE.c.station != MONITOR))) == len(arrivals)
    refused_table = {"line_now": LINE_NOW, "checkpoint": CHECKPOINT}.get(table)
    if refused_table is not None:
        assert read(place, select(refused_table)) == []
    again = processor_at(place, again=True, lines=["core-1"])
    again.writer.write(again.last_batch())
    assert everything(place) == undisturbed


@pytest.mark.parametrize("table", ["line_now", "checkpoint", "metre_block"])
def test_a_restart_whose_own_rows_are_refused_goes_on(place, arrivals, undisturbed, table):
    half = len(arrivals) // 2
    first = processor_at(place, lines=["core-1"])
    take(first, arrivals[:half])
    first.writer.close()

    def writes(*args: Any) -> None:
        refused_once(args[0], table, 10**6)

    with pytest.MonkeyPatch.context() as m:
        from monitor.store import writer

        opened = open_for_writing

        def opens(*given: Any) -> Engine:
            engine = opened(*given)
            writes(engine)
            return engine

        m.setattr(writer, "open_for_writing", opens)
        with suppress(DataError):
            processor_at(place, again=True, lines=["core-1"]).writer.close()
    again = processor_at(place, again=True, lines=["core-1"])
    take(again, arrivals[half:])
    again.writer.write(again.last_batch())
    assert everything(place) == undisturbed


# ---- an engine that cannot be restored -------------------------------------------------------------------------------


def two_lines(arrivals: Sequence[Arrival]) -> list[Arrival]:
    other = [Arrival(a.topic.replace("core-1", "core-2"), a.payload, a.received_s) for a in arrivals]
    return sorted([*arrivals, *other], key=lambda a: a.received_s)


def test_a_line_whose_engine_cannot_be_restored_waits_and_the_other_goes_on(place, arrivals, monkeypatch, caplog):
    """A defect meets the stored messages of one line while a batch is salvaged; its gateway sends again later."""
    both = two_lines(arrivals)
    link, again, state = StubLink(both), StubLink(both), {"broken": True}

    def restores(writer: Any, configuration: Any, line: str, log: Any) -> Any:
        if line == "core-1" and state["broken"]:
            raise ZeroDivisionError("a defect of the engine")
        return restore(writer, configuration, line, log)

    for where in (salvage, processor_module):
        monkeypatch.setattr(where, "restore", restores)
    monkeypatch.setattr(processor_module, "RESTORE_AGAIN_S", 0.0)

    async def run() -> None:
        service = a_service(place, link, lines=("core-1", "core-2"))
        refused_once(service.processor.writer.engine, "message", 2)
        work = asyncio.create_task(service.run())
        await asyncio.wait_for(link.done.wait(), 60)
        await eventually(lambda: problems(place), "the problem in the store")
        assert problems(place)[0].startswith("core-1 is neither stored nor judged, its gateways keep it")
        assert set(service.processor.engine.pipelines) == {"core-2"}
        assert_is_as_undisturbed(place, both, ["core-2"])
        state["broken"] = False
        await eventually(lambda: not service.processor.suspended, "the engine")
        again.begin()
        while not again.inbox.empty():
            link.inbox.put_nowait(again.inbox.get_nowait())
        await asyncio.wait_for(again.done.wait(), 60)
        await acknowledged_or_stopped(work, link)

    asyncio.run(run())
    assert not [topic for topic, _ in link.published if topic.startswith("tarn/core-1/refused/")]
    assert caplog.text.count("nothing of the line is taken until it can be") == 1
    assert_is_as_undisturbed(place, both, ["core-1", "core-2"])


def test_a_monitor_starts_though_one_engine_cannot_be_restored(place, arrivals, monkeypatch):
    both = two_lines(arrivals)
    half = len(both) // 2
    first = processor_at(place, lines=["core-1", "core-2"])
    store(first, both[:half])

    def restores(writer: Any, configuration: Any, line: str, log: Any) -> Any:
        if line == "core-1":
            raise ZeroDivisionError("a defect of the engine")
        return restore(writer, configuration, line, log)

    with monkeypatch.context() as m:
        m.setattr(processor_module, "restore", restores)
        c = first.configuration
        engine, suspended = processor_module.restored(first.writer, c, ["core-1", "core-2"])
        assert suspended == {"core-1": "its engine cannot be restored (ZeroDivisionError: a defect of the engine)"}
        assert not any(module.standing(engine.pipelines).values())
        processor = processor_module.Processor(configuration=c, writer=first.writer, engine=engine, suspended=suspended)
        store(processor, both[half:])
        processor.finish()
        assert processor.rejected == {"line suspended": len([a for a in both[half:] if "core-1" in a.topic])}
    last = processor_at(place, again=True, lines=["core-1", "core-2"])
    store(last, both[half:])
    last.finish()
    assert_is_as_undisturbed(place, both, ["core-1", "core-2"])


def assert_is_as_undisturbed(place: Any, both: Sequence[Arrival], lines: Sequence[str]) -> None:
    m = MESSAGE.c
    wanted = select(m.line, m.station, m.quantity, m.n).where(m.line.in_(lines), m.station != MONITOR)
    stored = Counter(tuple(row) for row in read(place, wanted))
    assert stored.total() == len(stored) == len(both) * len(lines) / 2
    other = processor_at(place / f"undisturbed {len(lines)}", lines=["core-1", "core-2"])
    take(other, both)
    other.writer.write(other.last_batch())
    for line in lines:
        assert everything(place, line) == everything(place / f"undisturbed {len(lines)}", line), line
