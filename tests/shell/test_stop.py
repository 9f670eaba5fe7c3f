"""A1: a stop at any moment that a batch passes. The real service over a stub of the broker, on both stores.

Lost 0, doubled 0, no number reported as stored that is not, and with what comes again after the next start the record
equals an undisturbed run.
"""

import asyncio
import json
import os
import signal
from collections import Counter
from collections.abc import Callable, Coroutine, Generator, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Row, Select, select
from sqlalchemy.exc import OperationalError

from monitor.contract.topics import MONITOR
from monitor.core.arrival import Arrival
from monitor.core.pipeline import Pipeline
from monitor.shell import processor as processor_module
from monitor.shell import service as module
from monitor.shell.broker_link import Received
from monitor.shell.processor import Processor
from monitor.shell.service import Service
from monitor.store import upgrade
from monitor.store.database import open_for_reading
from monitor.store.lease import hold
from monitor.store.schema import CHECKPOINT, LEDGER, MESSAGE, SCHEMA_VERSION, SET_ASIDE
from monitor.store.writer import Batch, Writer
from tests.core.test_pipeline import core_line
from tests.shell.works import everything, processor_at, settings_at, take

BATCH = 60
Numbered = tuple[str, int]


@dataclass
class StubLink:
    """A broker that delivers what nobody has acknowledged, in order, and keeps what the monitor publishes."""

    arrivals: Sequence[Arrival]
    acknowledged: set[int] = field(default_factory=set)
    published: list[tuple[str, bytes]] = field(default_factory=list)
    inbox: "asyncio.Queue[Received]" = field(init=False)
    done: asyncio.Event = field(init=False)
    published_one: asyncio.Event = field(init=False)

    def begin(self) -> None:
        """A new connection."""
        self.inbox, self.done, self.published_one = asyncio.Queue(), asyncio.Event(), asyncio.Event()
        for i, arrival in enumerate(self.arrivals):
            if i not in self.acknowledged:
                self.inbox.put_nowait(Received(arrival, partial(self._acknowledge, i)))
        self._look()

    def _acknowledge(self, i: int) -> None:
        self.acknowledged.add(i)
        self._look()

    def _look(self) -> None:
        if len(self.acknowledged) == len(self.arrivals):
            self.done.set()

    async def stay_connected(self) -> None:
        await asyncio.Event().wait()

    async def publish(self, topic: str, payload: bytes, qos: int = 1, retain: bool = False) -> None:
        self.published.append((topic, payload))
        self.published_one.set()

    @property
    def stored(self) -> dict[str, int]:
        """The greatest "stored up to n" of each stream's path."""
        found: dict[str, int] = {}
        for topic, payload in self.published:
            if topic.split("/")[2] == "stored":
                path = topic.split("/", 3)[3]
                found[path] = max(found.get(path, -1), json.loads(payload)["n"])
        return found


@dataclass
class StoryClock:
    """A time before the script ends, so that no line is silent; it moves on, so that each batch writes a checkpoint."""

    now_s: float
    step_s: float = 0.0

    def __call__(self) -> float:
        self.now_s += processor_module.NOW_EVERY_S
        return self.now_s


@dataclass
class Suspensions:
    """Runs a coroutine and calls `then` when it is suspended for the k-th time: at its k-th await that waits."""

    inner: Coroutine[Any, Any, None]
    k: int
    then: Callable[[], object]
    count: int = 0

    def __await__(self) -> Generator[Any, Any, None]:
        send, value = self.inner.send, None
        while True:
            try:
                waited_for = send(value)
            except StopIteration:
                return
            self.count += 1
            if self.count == self.k:
                self.then()
            try:
                value = yield waited_for
                send = self.inner.send
            except BaseException as error:  # noqa: BLE001 - handed on, cancellation above all
                send, value = partial(self.inner.throw), error


def a_service(folder: Path, link: StubLink, again: bool) -> Service:
    link.begin()
    processor = processor_at(folder, again, ["core-1"])
    return Service(processor=processor, link=link, clock=StoryClock(link.arrivals[0].received_s))


async def until_done(service: Service, link: StubLink) -> None:
    """Run until everything is acknowledged, then stop it in the ordinary way."""
    await acknowledged_or_stopped(asyncio.create_task(service.run()), link)
    assert link.done.is_set()


async def acknowledged_or_stopped(work: "asyncio.Task[None]", link: StubLink) -> None:
    """Until the service ends by itself, or everything is acknowledged and it is stopped."""
    finished = asyncio.create_task(link.done.wait())
    await asyncio.wait({work, finished}, timeout=60, return_when=asyncio.FIRST_COMPLETED)
    finished.cancel()
    work.cancel()
    with suppress(asyncio.CancelledError):
        await work


async def cancelled_in_thread(service: Service, monkeypatch: pytest.MonkeyPatch, name: str, nth: int) -> None:
    """Cancel while the processor's thread is at the beginning or the end of taking or writing, for the n-th time."""
    loop = asyncio.get_running_loop()
    work = asyncio.create_task(service.run())
    count = Counter[str]()

    def stop_here(point: str) -> None:
        count[point] += 1
        if (point, count[point]) == (name, nth):
            asyncio.run_coroutine_threadsafe(_cancel(work), loop).result(10)

    def around(what: str, inner: Callable[..., object]) -> Callable[..., object]:
        def call(*args: object) -> object:
            stop_here(f"before {what}")
            result = inner(*args)
            stop_here(f"after {what}")
            return result

        return call

    with monkeypatch.context() as m:
        m.setattr(Processor, "take", around("take", Processor.take))
        m.setattr(type(service.processor.writer), "write", around("write", type(service.processor.writer).write))
        with suppress(asyncio.CancelledError):
            await asyncio.wait_for(work, 60)
    assert count[name] >= nth, f"{name} came {count[name]} times"


async def _awaited(steps: Suspensions) -> None:
    await steps


async def _cancel(work: "asyncio.Task[None]") -> None:
    work.cancel()
    await asyncio.sleep(0)  # so that it has arrived before the thread goes on


# ---- what must hold --------------------------------------------------------------------------------------------------


def read(folder: Path, wanted: Select[Any]) -> Sequence[Row[Any]]:
    """Rows of the store, past the program that wrote them."""
    engine = open_for_reading(settings_at(folder))
    with engine.connect() as c:
        rows = c.execute(wanted).all()
    engine.dispose()
    return rows


def numbers_stored(folder: Path) -> "Counter[Numbered]":
    """How often each (stream, n) is in the message table, but for the monitor's own."""
    m = MESSAGE.c
    rows = read(folder, select(m.station, m.quantity, m.n).where(m.station != MONITOR))
    return Counter((f"{r.station}/{r.quantity}", r.n) for r in rows)


def assert_nothing_is_claimed(folder: Path, link: StubLink) -> None:
    """No number acknowledged, published as stored, or in the ledger is missing from the message table, none doubled."""
    stored = numbers_stored(folder)
    assert not [key for key, count in stored.items() if count > 1]
    for i in link.acknowledged:
        arrival = link.arrivals[i]
        assert (arrival.topic.split("/", 2)[2], json.loads(arrival.payload)["n"]) in stored
    ledger = {f"{r.station}/{r.quantity}": r.upto for r in read(folder, select(LEDGER)) if r.station != MONITOR}
    for claims in (link.stored, ledger):
        for path, upto in claims.items():
            assert not [n for n in range(upto + 1) if (path, n) not in stored], (path, upto)


def assert_it_goes_on(folder: Path, link: StubLink, undisturbed: dict[str, object]) -> None:
    """After the next start and with what comes again, the record is that of an undisturbed run."""
    assert_nothing_is_claimed(folder, link)
    asyncio.run(until_done(a_service(folder, link, again=True), link))
    assert_nothing_is_claimed(folder, link)
    assert len(numbers_stored(folder)) == len(link.arrivals)
    assert everything(folder) == undisturbed


@pytest.fixture(scope="module")
def arrivals() -> list[Arrival]:
    def busy(script: Any, s: int) -> None:
        if s == 12:
            script.send_samples("spark-electrode/spark-fault", script.arrivals[-1].received_s, 1)

    return core_line(20, before=busy).sorted()


@pytest.fixture(scope="module")
def undisturbed(arrivals: list[Arrival], tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    return record_of(arrivals, tmp_path_factory.mktemp("undisturbed"))


def record_of(arrivals: Sequence[Arrival], folder: Path) -> dict[str, object]:
    """The record that an undisturbed run comes to."""
    processor = processor_at(folder, lines=["core-1"])
    take(processor, arrivals)
    processor.writer.write(processor.last_batch())
    return everything(folder)


@pytest.fixture(scope="module")
def few() -> list[Arrival]:
    """Three batches."""
    return core_line(9).sorted()


@pytest.fixture(scope="module")
def few_undisturbed(few: list[Arrival], tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    return record_of(few, tmp_path_factory.mktemp("few"))


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in {"BATCH": BATCH, "LINGER_S": 0.001, "AGAIN_S": 0.05, "STOP_WITHIN_S": 0.5}.items():
        monkeypatch.setattr(module, name, value)
    monkeypatch.setattr(processor_module, "CHECKPOINT_EVERY_S", 0.0)


# ---- stops -------------------------------------------------------------------------------------------------------


def test_cancelled_at_every_await_that_a_batch_passes(place, arrivals, undisturbed, monkeypatch):
    k, ended = 0, False
    while not ended:
        k += 1
        link = StubLink(arrivals)

        async def stopped(k: int = k, link: StubLink = link) -> int:
            service = a_service(place / f"at-{k}", link, again=False)
            loop = asyncio.get_running_loop()
            steps = Suspensions(Service._work(service), k, lambda: loop.call_soon(work.cancel))
            with monkeypatch.context() as m:
                m.setattr(Service, "_work", lambda _: _awaited(steps))
                work = asyncio.create_task(service.run())
                await acknowledged_or_stopped(work, link)
            return steps.count

        ended = asyncio.run(stopped()) < k
        assert_it_goes_on(place / f"at-{k}", link, undisturbed)
    assert k > 2 * len(arrivals) / BATCH  # taking and writing of each batch


@dataclass
class FailingStore:
    """Transactions of a writer that fail from a moment on: before anything, at the commit, or once after it."""

    fault: str
    is_at_fault: bool = False

    def around(self, commit: Callable[..., int]) -> Callable[..., int]:
        """The writer's transaction with the fault in it."""

        def committed(writer: Writer, batch: Batch, sparing: bool = False) -> int:
            if not self.is_at_fault:
                return commit(writer, batch, sparing)
            if self.fault == "at the commit":
                writer.probe(batch)
            if self.fault == "after the commit":
                self.is_at_fault = False
                commit(writer, batch, sparing)
            raise OperationalError(self.fault, {}, Exception("the connection is lost"))

        return committed

    def fails(self) -> None:
        """From now on."""
        self.is_at_fault = True


@pytest.mark.parametrize("fault", ["before anything", "at the commit", "after the commit"])
def test_the_store_fails_at_any_await_that_a_batch_passes_and_a_stop_comes_with_it(
    place, few, few_undisturbed, monkeypatch, fault
):
    """A1: whatever of a batch is stored or not when both come, nothing is lost, doubled or claimed."""
    k, ended = 0, False
    monkeypatch.setattr(module, "STOP_WITHIN_S", 0.06)
    while not ended:
        k += 1
        link, store = StubLink(few), FailingStore(fault)

        async def stopped(k: int = k, link: StubLink = link, store: FailingStore = store) -> int:
            service = a_service(place / f"at-{k}", link, again=False)
            loop = asyncio.get_running_loop()

            def both() -> None:
                store.fails()
                loop.call_soon(work.cancel)

            steps = Suspensions(Service._work(service), k, both)
            with monkeypatch.context() as m:
                m.setattr(Service, "_work", lambda _: _awaited(steps))
                m.setattr(Writer, "_commit", store.around(Writer._commit))
                work = asyncio.create_task(service.run())
                await acknowledged_or_stopped(work, link)
            return steps.count

        ended = asyncio.run(stopped()) < k
        assert_it_goes_on(place / f"at-{k}", link, few_undisturbed)
    assert k > 2 * len(few) / BATCH


POINTS = ["before take", "after take", "before write", "after write"]


@pytest.mark.parametrize("nth", [1, 3])
@pytest.mark.parametrize("point", POINTS)
def test_cancelled_while_the_thread_takes_or_writes(place, arrivals, undisturbed, monkeypatch, point, nth):
    link = StubLink(arrivals)

    async def stopped() -> None:
        await cancelled_in_thread(a_service(place, link, again=False), monkeypatch, point, nth)

    asyncio.run(stopped())
    assert_it_goes_on(place, link, undisturbed)


ERRORS = {
    "database": lambda: OperationalError("commit", {}, Exception("database is locked")),
    "disk": lambda: OSError(28, "No space left on device"),
}


@pytest.mark.parametrize("kind", ERRORS)
def test_a_write_that_fails_and_then_a_stop_reports_nothing_as_stored(place, arrivals, undisturbed, caplog, kind):
    link = StubLink(arrivals)

    async def stopped() -> None:
        service = a_service(place, link, again=False)
        written, failed = service.processor.writer.write, asyncio.Event()
        loop, count = asyncio.get_running_loop(), 0

        def fails(batch: Batch) -> object:
            nonlocal count
            count += 1
            if count > 2:
                loop.call_soon_threadsafe(failed.set)
                raise ERRORS[kind]()
            return written(batch)

        service.processor.writer.write = fails  # type: ignore[method-assign, assignment]
        work = asyncio.create_task(service.run())
        await asyncio.wait_for(failed.wait(), 30)
        work.cancel()
        with suppress(asyncio.CancelledError):
            await work

    asyncio.run(stopped())
    assert 0 < len(link.acknowledged) < len(arrivals)
    assert f"{BATCH} messages were not stored and not acknowledged" in caplog.text
    assert_it_goes_on(place, link, undisturbed)


def test_a_failed_write_is_made_good_by_the_stop_where_the_store_can_be_written_again(place, arrivals, undisturbed):
    link = StubLink(arrivals)

    async def stopped() -> None:
        service = a_service(place, link, again=False)
        written, failed = service.processor.writer.write, asyncio.Event()
        loop, failures = asyncio.get_running_loop(), iter([True, True])

        def fails_twice(batch: Batch) -> object:
            if next(failures, False):
                loop.call_soon_threadsafe(failed.set)
                raise ERRORS["disk"]()
            return written(batch)

        service.processor.writer.write = fails_twice  # type: ignore[method-assign, assignment]
        work = asyncio.create_task(service.run())
        await asyncio.wait_for(failed.wait(), 30)
        work.cancel()
        with suppress(asyncio.CancelledError):
            await work

    asyncio.run(stopped())
    assert sum(numbers_stored(place).values()) == BATCH
    assert [row.message_id for row in read(place, select(CHECKPOINT.c.message_id))] == [BATCH]
    assert_it_goes_on(place, link, undisturbed)


def test_an_engine_that_failed_is_made_again_from_the_store(place, arrivals, undisturbed, monkeypatch):
    """A5: nothing of the engine that failed is written; fed again, its batch passes."""
    link, calls = StubLink(arrivals), iter(range(10**6))
    fed = Pipeline.feed

    def breaks(self: Pipeline, messages: Any) -> Any:
        out = fed(self, messages)
        if next(calls) == 1:
            raise ZeroDivisionError("a defect of the engine")
        return out

    async def failing() -> None:
        service = a_service(place, link, again=False)
        monkeypatch.setattr(Pipeline, "feed", breaks)
        await until_done(service, link)

    asyncio.run(failing())
    assert_nothing_is_claimed(place, link)
    assert len(numbers_stored(place)) == len(arrivals)
    assert not read(place, select(SET_ASIDE))
    assert everything(place) == undisturbed


def test_sigterm_stores_what_was_taken(place, arrivals, undisturbed, monkeypatch):
    """The signal arrives while the thread takes the second batch: that batch is in the store after the stop."""
    link, taken = StubLink(arrivals), Counter[str]()
    inner = Processor.take

    def takes(self: Processor, *args: Any) -> Batch:
        taken["batches"] += 1
        if taken["batches"] == 2:
            os.kill(os.getpid(), signal.SIGTERM)
        return inner(self, *args)

    monkeypatch.setattr(Processor, "take", takes)
    with hold(settings_at(place), ["core-1"], 0.0) as lease:
        assert asyncio.run(module._until_stopped(a_service(place, link, again=False), lease)) == 0
    assert sum(numbers_stored(place).values()) == 2 * BATCH
    monkeypatch.setattr(Processor, "take", inner)
    assert_it_goes_on(place, link, undisturbed)


def test_a_store_that_was_upgraded_meanwhile_ends_the_service_with_nothing_more_written(
    place, arrivals, monkeypatch, caplog
):
    """A9: no message is blamed for it and set aside, and what is not stored is acknowledged to nobody."""
    link, written = StubLink(arrivals), Counter[str]()

    def upgraded(_: object) -> None:
        written["commits"] += 1
        if written["commits"] > 2:
            upgrade.refuse_newer(SCHEMA_VERSION + 1, "here")

    monkeypatch.setattr(upgrade, "confirm", upgraded)
    with hold(settings_at(place), ["core-1"], 0.0) as lease:
        assert asyncio.run(module._until_stopped(a_service(place, link, again=False), lease)) == 1
    assert "without another word to the store" in caplog.text
    assert 0 < len(link.acknowledged) < len(arrivals)
    assert not read(place, select(SET_ASIDE))
    assert_nothing_is_claimed(place, link)


def test_moving_files_keeps_neither_batches_nor_a_stop_waiting(place, arrivals, undisturbed, monkeypatch):
    """However much there is to move: the thread takes what has come between two files, and a stop after one."""
    link, moved = StubLink(arrivals), Counter[str]()

    def endless(_: Processor) -> Iterator[bool]:
        while True:
            moved["files"] += 1
            yield True

    async def stopped() -> bool:
        service = a_service(place, link, again=False)
        await until_done(service, link)
        return service.hung

    with monkeypatch.context() as m:
        m.setattr(module, "ROLL_EVERY_S", 0.0)
        m.setattr(Processor, "rolling", endless)
        assert not asyncio.run(stopped())
    assert moved["files"] > 1
    assert_it_goes_on(place, link, undisturbed)


def test_what_can_never_become_data_is_answered_and_the_rest_goes_on(place, arrivals, undisturbed):
    """B1: each refused number is published with a reason, and never reported as stored."""
    t = round(arrivals[0].received_s * 1e3)
    bad = [
        Arrival("tarn/core-1/dancer/position", payload, arrivals[0].received_s)
        for payload in (b'{"n": 900, "t": %d, "v": NaN}' % t, b'{"n": 901, "t": 5, "v": 1}', b"no number")
    ]
    link = StubLink([*arrivals[:100], *bad, *arrivals[100:]])

    async def refusing() -> None:
        service = a_service(place, link, again=False)
        work = asyncio.create_task(service.run())
        await asyncio.wait_for(link.done.wait(), 60)
        while service._owed or service._refused_numbers:  # what is acknowledged is answered within half a second
            link.published_one.clear()
            await link.published_one.wait()
        await acknowledged_or_stopped(work, link)

    asyncio.run(refusing())
    refused = [(t, json.loads(p)) for t, p in link.published if t.startswith("tarn/core-1/refused/")]
    topic = "tarn/core-1/refused/dancer/position"
    assert {(at, refusal["n"]) for at, refusal in refused} == {(topic, 900), (topic, 901)}
    assert all(refusal["why"] for _, refusal in refused)
    assert link.stored["dancer/position"] < 900
    empty_report = ("tarn/core-1/stored/line/state", b'{"n":0,"from":1}')
    assert link.published.count(empty_report) == 1  # for the one that no report can name
    assert everything(place) == undisturbed
