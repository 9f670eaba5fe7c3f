"""The monitor as a process: a processor takes and stores what arrives, which is acknowledged only then."""

import asyncio
import contextlib
import hashlib
import logging
import os
import shutil
import signal
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import NoReturn, TypeVar

import msgspec
from sqlalchemy import Engine
from sqlalchemy.exc import SQLAlchemyError

from monitor.contract.address import BrokerAddress
from monitor.contract.config.configuration import Configuration
from monitor.contract.messages import AlarmReport, EventReport, Health, Refused
from monitor.contract.reading import SchemaVersionError
from monitor.contract.record import AlarmChange, LineEvent, MessageNumber, Output, Rejected
from monitor.contract.rules import EMPTY_REPORT, empty_report_line, empty_report_stream
from monitor.contract.selfwatch import SELF_ALARMS
from monitor.contract.topics import monitor_topic, refused_topic, stored_topic, subscription
from monitor.core.arrival import Note
from monitor.core.pipeline import Pipeline
from monitor.core.selfwatch import SelfWatch
from monitor.shell.broker_link import Link, Received, Transport
from monitor.shell.clock import SteadyClock, UtcClock
from monitor.shell.processor import NOT_WRITTEN, Processor, Written, lines_with, restored
from monitor.shell.unknown_lines import Listener, answers_for_all
from monitor.store import upgrade
from monitor.store.lease import Lease, LeaseLostError
from monitor.store.ledger import Reports
from monitor.store.revisions import refuse_conflicts
from monitor.store.store_errors import first_line, is_unexpected
from monitor.store.writer import Batch, Writer

BATCH = 400
LINGER_S = 0.02
TICK_S = 1.0
STORED_EVERY_S = 0.5
REFUSED_MAX = 500  # refused numbers that wait to be published; whoever sends more of them is answered next time
LEASE_EVERY_S = 2.0
LEASE_UNKNOWN_MAX = 15  # looks in a row that give no answer
ROLL_EVERY_S = 10.0
AGAIN_S = 1.0
AGAIN_MAX_S = 10.0  # where somebody has to put the store right
STOP_WITHIN_S = 3.0  # a stop tries for so long to store what was taken
END_AGAIN_S = 0.2
END_TRIES = 25
HUNG_AFTER_S = 20.0  # and waits for so long for the thread, which may be moving an hour into its file
KEEP_HEALTH_MS = 3000

GONE = (LeaseLostError, SchemaVersionError)  # lines or tables are another's from now on: nothing more is written

T = TypeVar("T")

LOG = logging.getLogger("monitor")


@dataclass(slots=True)
class Done:
    """What one batch came to, for publishers and pages."""

    outputs: list[Output]
    stored: Reports
    received: Sequence[Received]


@dataclass(slots=True, kw_only=True)
class Service:
    """The tasks around one processor. One thread touches engines and store, so that there is one writer."""

    processor: Processor
    link: Transport
    clock: UtcClock = field(default_factory=SteadyClock)
    watch: SelfWatch = field(default_factory=SelfWatch)
    listener: Listener | None = None
    hung: bool = False  # the thread did not come back at the stop: only the end of the process ends it
    thread: Executor = field(default_factory=lambda: ThreadPoolExecutor(1, thread_name_prefix="processor"))
    _owed: Reports = field(default_factory=dict)
    _refused_numbers: dict[MessageNumber, Rejected] = field(default_factory=dict)
    _alarms: "asyncio.Queue[tuple[str, bytes]]" = field(default_factory=asyncio.Queue)
    _problem: str = ""  # why the store cannot be written
    _not_rolled: str = ""  # why nothing moves into files
    _fault_since_s: float | None = None  # since when the store cannot be written
    _suspended_since_s: float | None = None
    _health: Health | None = None
    _health_ms: int = 0
    _notes: list[Note] = field(default_factory=list)
    _refused: "deque[int]" = field(default_factory=lambda: deque([0], maxlen=60))

    async def run(self) -> None:
        """Until cancelled; if one task fails, all end and the failure comes out."""
        doing = {
            "link": self.link.stay_connected, "work": self._work, "alarms": self._publish_alarms,
            "stored": self._publish_stored, "roll": self._roll, "health": self._keep_status,
        }  # fmt: skip
        if self.listener is not None:
            doing["unknown lines"] = self.listener.listen
        tasks = {asyncio.create_task(do(), name=name) for name, do in doing.items()}
        try:
            ended, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in ended:
                task.result()
        finally:
            try:
                await _end(tasks)
                await self._finish()
            finally:
                self.thread.shutdown(wait=not self.hung)
                self._report_pending()
                if not self.hung:
                    self.processor.writer.seal()
                    self.processor.writer.close()

    async def _finish(self) -> None:
        """Store what was taken, behind whatever the thread still does. Given up after a while: then no checkpoint."""
        loop = asyncio.get_running_loop()
        deadline_s = loop.time() + STOP_WITHIN_S
        while True:
            finished = loop.run_in_executor(self.thread, self.processor.finish)
            self.hung = not (await asyncio.wait([finished], timeout=HUNG_AFTER_S))[0]
            if self.hung:
                return LOG.error("the store did not answer within %.0f s; stopping without it", HUNG_AFTER_S)
            error = finished.exception()
            if isinstance(error, GONE) or not isinstance(error, NOT_WRITTEN):
                return finished.result()
            if loop.time() + AGAIN_S > deadline_s:
                return LOG.error("the store cannot be written (%s); stopping without a checkpoint", first_line(error))
            await asyncio.sleep(AGAIN_S)

    def _report_pending(self) -> None:
        """Nobody is to believe that all is stored where it is not."""
        pending = self.processor.pending
        if pending is not None and pending.messages:
            LOG.error(
                "%d messages were not stored and not acknowledged; they come again after the next start",
                len(pending.messages),
            )

    async def _work(self) -> None:
        while True:
            received = await self._gather()
            notes: list[Note] = []
            if self.processor.engine.pipelines:  # else no line has an engine to keep them
                notes, self._notes = self._notes, []
            batch = await self._take(received, notes)
            batch = self._with_health(batch)
            if not (batch.messages or batch.outputs or received or batch.now or batch.health):
                continue
            written = await self._write(batch)
            self.processor.committed_s = self.clock()
            self._hand_on(Done(list(written.outputs), written.stored, received))

    async def _take(self, received: Sequence[Received], notes: Sequence[Note]) -> Batch:
        """A batch, of which an engine that failed gives nothing: it is found in writing which message is at fault."""
        try:
            return await self._in_thread(self.processor.take, received, self.clock(), notes)
        except Exception:
            if self.processor.failed is None or self.processor.pending is None:
                raise
            LOG.exception("an engine failed; looking for the message at fault")
            return self.processor.pending

    def _with_health(self, batch: Batch) -> Batch:
        """The monitor's newest status goes into the store as well, every few seconds."""
        status = self._health
        if status is None or status.t - self._health_ms < KEEP_HEALTH_MS:
            return batch
        self._health_ms = status.t
        return replace(batch, health=status)

    async def _gather(self) -> list[Received]:
        """What has arrived: the first, whatever follows within a moment, at most a batch; nothing after a while."""
        inbox = self.link.inbox
        try:
            async with asyncio.timeout(TICK_S / 2):  # wait_for before Python 3.12 may lose a cancellation
                received = [await inbox.get()]
        except TimeoutError:
            return []
        if inbox.qsize() < BATCH:
            await asyncio.sleep(LINGER_S)
        while len(received) < BATCH and not inbox.empty():
            received.append(inbox.get_nowait())
        return received

    async def _write(self, batch: Batch) -> Written:
        """Commit, however long it takes: what is not committed is acknowledged to no one."""
        wait_s = AGAIN_S
        while True:
            try:
                written = await self._in_thread(self.processor.write, batch)
            except GONE:
                raise
            except Exception as error:  # noqa: BLE001 - a defect too: the next process would meet the same messages
                self._not_written(error)
                await asyncio.sleep(wait_s)
                wait_s = min(2 * wait_s, AGAIN_MAX_S) if _is_lasting(error) else AGAIN_S
                await self._keep_health()
            else:
                if self._problem:
                    LOG.info("the store can be written again")
                self._problem, self._fault_since_s = "", None
                return written

    def _not_written(self, error: Exception) -> None:
        """Report why the store cannot be written: on Health, and in the log once for each reason."""
        problem = f"the store cannot be written ({first_line(error)}); nothing is acknowledged until it can"
        if is_unexpected(error):
            problem += ". It is not as the monitor expects: see its tables and permissions, or run everymetre doctor"
        if problem != self._problem:
            LOG.error(problem, exc_info=None if isinstance(error, NOT_WRITTEN) else error)
        self._problem = problem
        self._fault_since_s = self.clock() if self._fault_since_s is None else self._fault_since_s

    async def _keep_health(self) -> None:
        """Health by itself while no batch is stored, if the store takes that much: pages read it there."""
        if self._health is not None:
            with contextlib.suppress(Exception):
                await self._in_thread(self.processor.writer.write, Batch(health=self._health))

    def _hand_on(self, done: Done) -> None:
        """Acknowledge, and hand on what is to be published: waiting for the broker here would hold up what frees it."""
        for one in done.received:
            one.acknowledge()
        self._owed |= done.stored
        works = self.processor.configuration.works.works
        for output in done.outputs:
            if isinstance(output, Rejected) and (line := empty_report_line(output)):
                self._owed[empty_report_stream(line), 0, EMPTY_REPORT.first] = EMPTY_REPORT
            if isinstance(output, Rejected) and output.number and len(self._refused_numbers) < REFUSED_MAX:
                self._refused_numbers[output.number] = output
            if isinstance(output, AlarmChange):
                payload = msgspec.json.encode(self._alarm_report(output))
                self._alarms.put_nowait((monitor_topic(works, output.line, "alarm"), payload))
            elif isinstance(output, LineEvent):
                payload = msgspec.json.encode(_event_report(output))
                self._alarms.put_nowait((monitor_topic(works, output.line, "event"), payload))

    def _alarm_report(self, c: AlarmChange) -> AlarmReport:
        text = f"{c.alarm} is {c.after.value}"
        drum, filling = (c.filling.drum, c.filling.filling) if c.filling else (None, None)
        t, occurrence = round(c.t_s * 1e3), round(c.occurrence_s * 1e3)
        return AlarmReport(
            t=t, alarm=c.alarm, occurrence=occurrence, state=c.after.value, priority=c.priority.value, text=text,
            value=c.value, limit=c.limit, line_metre=c.line_metre, drum=drum, filling=filling, unit=c.unit,
            recipe=c.recipe,
        )  # fmt: skip

    async def _publish_alarms(self) -> None:
        while True:
            await self.link.publish(*await self._alarms.get())

    async def _publish_stored(self) -> None:
        """Each reports all that is stored of a numbering, so one that is lost is made good by the next."""
        while True:
            await asyncio.sleep(STORED_EVERY_S)
            owed, self._owed = self._owed, {}
            for (stream, _, _), report in owed.items():
                topic = stored_topic(self.processor.configuration.works.works, stream)
                await self.link.publish(topic, msgspec.json.encode(report), qos=0)
            refused, self._refused_numbers = self._refused_numbers, {}
            for number, r in refused.items():
                topic = refused_topic(self.processor.configuration.works.works, number.stream)
                refusal = Refused(n=number.n, why=r.why, start=number.start, final=r.final, kind=r.kind)
                await self.link.publish(topic, msgspec.json.encode(refusal), qos=0)

    async def _roll(self) -> None:
        while True:
            await asyncio.sleep(ROLL_EVERY_S)
            steps = self.processor.rolling()
            try:
                while await self._in_thread(next, steps, False):
                    pass
                await self._in_thread(self.processor.resume, self.clock())
                problem = ""
            except NOT_WRITTEN as error:
                problem = f"files cannot be written ({first_line(error)}); the database keeps what was to move there"
                if problem != self._not_rolled:
                    LOG.error(problem)
            self._not_rolled = problem

    async def _keep_status(self) -> None:
        while True:
            await asyncio.sleep(1.0)
            processor, now_s = self.processor, self.clock()
            newest = [p.newest_s for p in processor.engine.pipelines.values() if p.first_s is not None]
            committed = round(processor.committed_s * 1e3) if processor.committed_s else None
            free = _free_bytes(processor.configuration.works.store.folder)
            refused = sum(processor.rejected.values())
            suspended_s, store_fault_s = self._trouble_s(now_s)
            health = Health(
                t=round(now_s * 1e3),
                messages=processor.messages,
                rejected=processor.counts(),
                lag_s=now_s - max(newest, default=now_s),
                queue=self.link.inbox.qsize(),
                last_commit=committed,
                disk_free_bytes=free,
                refused_per_min=float(refused - self._refused[0]),
                clock_step_s=self.clock.step_s,
                problems=[problem for problem in (self._problem, self._not_rolled, *processor.problems) if problem],
                suspended=dict(processor.suspended),
                suspended_s=suspended_s,
                store_fault_s=store_fault_s,
                lines=processor.lines,
                notes=[note for note in [processor.writer.not_examined] if note],
            )
            self._refused.append(refused)
            self._health = health
            waiting = {(note.alarm, note.event) for note in self._notes}
            notes = self.watch.judge(health, standing(processor.engine.pipelines))
            self._notes += [note for note in notes if (note.alarm, note.event) not in waiting]
            for line in processor.lines:
                topic = monitor_topic(self.processor.configuration.works.works, line, "health")
                await self.link.publish(topic, msgspec.json.encode(health), qos=0, retain=True)

    def _trouble_s(self, now_s: float) -> tuple[float, float]:
        """For how long a line has been suspended, and the store has not been written, s."""
        if not self.processor.suspended:
            self._suspended_since_s = None
        elif self._suspended_since_s is None:
            self._suspended_since_s = now_s
        since = self._suspended_since_s, self._fault_since_s
        suspended_s, fault_s = (0.0 if at is None else now_s - at for at in since)
        return suspended_s, fault_s

    async def _in_thread(self, do: Callable[..., T], *args: object) -> T:
        return await asyncio.get_running_loop().run_in_executor(self.thread, do, *args)


def _free_bytes(folder: str) -> int | None:
    """Free disk space, None where it cannot be found out: shared storage may be away for a while."""
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return None


async def _end(tasks: set["asyncio.Task[None]"]) -> None:
    """Cancel until all have ended: `asyncio.wait_for` (Python 3.11, also in aiomqtt) may swallow a cancellation."""
    waiting, tries = tasks, 0
    while waiting and tries < END_TRIES:
        for task in waiting:
            task.cancel()
        _, waiting = await asyncio.wait(waiting, timeout=END_AGAIN_S)
        tries += 1
    if waiting:
        LOG.error("stopping without %s, which does not end", ", ".join(sorted(task.get_name() for task in waiting)))


def _is_lasting(error: BaseException) -> bool:
    """Whether it stays until somebody puts it right."""
    return is_unexpected(error) or not isinstance(error, NOT_WRITTEN)


def watch(configuration: Configuration, lines: Sequence[str], at: BrokerAddress, lease: Lease) -> int:
    """Watch lines that are held, until stopped. Returns an exit code."""
    writer, service = Writer(configuration.works.store, lines, lease), None
    try:
        refuse_conflicts(writer.engine, configuration, lines)
        engine, suspended = restored(writer, configuration, lines)
        writer.keep_revisions(configuration.recipes.values(), time.time())
        clock, watch = SteadyClock(), SelfWatch(standing(engine.pipelines))
        link = _link(configuration, lines, at, clock)
        listener = _listener(configuration, lines, link)
        service = Service(
            processor=Processor(configuration=configuration, writer=writer, engine=engine, suspended=suspended),
            link=link,
            clock=clock,
            watch=watch,
            listener=listener,
        )
        return asyncio.run(_until_stopped(service, lease))
    except LeaseLostError as error:
        return _gone(error)
    finally:
        if service is not None and service.hung:
            _end_at_once()  # the interpreter would wait for the thread; nothing was acknowledged that is not stored
        writer.close()


def _link(configuration: Configuration, lines: Sequence[str], at: BrokerAddress, now: Callable[[], float]) -> Link:
    works = configuration.works
    name = f"{works.works}-monitor-{hashlib.sha256(','.join(lines).encode()).hexdigest()[:10]}"
    filters = [subscription(works.works, line) for line in (["+"] if _are_all(configuration, lines) else lines)]
    return Link(address=at, settings=works.broker, filters=filters, name=name, log=LOG.info, now=now)


def _are_all(configuration: Configuration, lines: Sequence[str]) -> bool:
    return set(lines) == set(configuration.lines)  # then unknown lines are received too


def _listener(configuration: Configuration, lines: Sequence[str], link: Link) -> Listener | None:
    if _are_all(configuration, lines) or not answers_for_all(configuration, lines):
        return None
    return Listener(link, configuration.works.works, configuration.lines)


def _gone(error: Exception) -> int:
    LOG.error("the monitor ends without another word to the store, and may be started again: %s", error)
    return 1


def _end_at_once() -> NoReturn:
    logging.shutdown()
    os._exit(1)


def standing(pipelines: Mapping[str, Pipeline]) -> dict[str, bool]:
    """Which of the monitor's alarms on itself are active, with whichever of its lines they were raised."""
    return {name: bool(lines_with(pipelines, name)) for name in SELF_ALARMS}


async def _until_stopped(service: Service, lease: Lease) -> int:
    """Run until SIGINT or SIGTERM (0), or until a task fails (the failure comes out)."""
    guard = asyncio.create_task(_guard(lease, service.processor.writer.engine), name="lease")
    stop = asyncio.Event()
    for name in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(name, stop.set)
    work = asyncio.create_task(service.run(), name="service")
    asked = asyncio.create_task(stop.wait(), name="stop")
    await asyncio.wait({work, asked}, return_when=asyncio.FIRST_COMPLETED)
    asked.cancel()
    if not work.done():
        work.cancel()
    try:
        with contextlib.suppress(asyncio.CancelledError):
            await work
    except GONE as error:
        return _gone(error)
    finally:
        guard.cancel()
    return 0


async def _guard(lease: Lease, engine: Engine) -> None:
    """End the process at once when its lines or its tables are no longer its own.

    Nothing more is written, as if it were killed: another monitor may write the lines already.
    """
    unknown = 0
    while True:
        await asyncio.sleep(LEASE_EVERY_S)
        try:
            await asyncio.to_thread(_check, lease, engine)
            unknown = 0
        except GONE as error:
            _gone(error)
            _end_at_once()
        except OSError as error:  # a stale file handle, no free descriptor: it may pass
            unknown += 1
            LOG.warning("whether the lines are still this process's own cannot be checked: %s", error)
            if unknown >= LEASE_UNKNOWN_MAX:
                _gone(LeaseLostError(f"the lease could not be checked {unknown} times in a row ({error})"))
                _end_at_once()


def _check(lease: Lease, engine: Engine) -> None:
    lease.check()
    with contextlib.suppress(SQLAlchemyError), engine.connect() as connection:  # a full disk is the writer's matter
        upgrade.check(connection)


def _event_report(e: LineEvent) -> EventReport:
    alarms = {m.alarm: round(m.occurrence_s * 1e3) for m in e.members}
    return EventReport(
        t=round(e.changed_s * 1e3), event=e.event, kind=e.kind, start=round(e.start_s * 1e3),
        end=None if e.end_s is None else round(e.end_s * 1e3), priority=e.priority.value, asks=e.asks, alarms=alarms,
        start_m=e.start_m, end_m=e.end_m, drum=e.filling.drum if e.filling else None,
        filling=e.filling.filling if e.filling else None, faults=e.faults, spacing_m=e.spacing_m, by=e.answered_by,
    )  # fmt: skip
