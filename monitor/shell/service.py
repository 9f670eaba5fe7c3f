"""The monitor as a process: arrivals are decoded, fed, committed, and only then acknowledged."""

import asyncio
import contextlib
import hashlib
import logging
import os
import shutil
import signal
import time
from collections import Counter, deque
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import NoReturn, TypeVar

import msgspec
from sqlalchemy import Engine
from sqlalchemy.exc import SQLAlchemyError

from monitor.contract.address import BrokerAddress
from monitor.contract.config.configuration import Configuration
from monitor.contract.messages import AlarmSaid, Health, Refused
from monitor.contract.part import CannotRunError
from monitor.contract.reading import SchemaVersionError
from monitor.contract.record import AlarmChange, LineNow, MessageNumber, Output, Rejected
from monitor.contract.rules import HEARING, hearing_stream, shows_hearing
from monitor.contract.selfwatch import SELF_ALARMS
from monitor.contract.topics import MONITOR, Stream, monitor_topic, refused_topic, stored_topic, subscription
from monitor.core.arrival import Arrival, Message, Note, Tick
from monitor.core.decode import Decoder
from monitor.core.pipeline import Pipeline
from monitor.core.selfwatch import SelfWatch
from monitor.core.snapshot import dump
from monitor.shell.clock import SteadyClock
from monitor.shell.link import Link, Received
from monitor.shell.restore import restore
from monitor.shell.salvage import SET_ASIDE, Salvage, Taken, suspension
from monitor.store import manifest, upgrade
from monitor.store.lease import Lease, LeaseLostError
from monitor.store.ledger import LedgerDelta, Reports, reports_of
from monitor.store.refusals import NOT_RECORDED, first_line, is_of_data, is_unexpected
from monitor.store.revisions import refuse_conflicts
from monitor.store.rolling import each_drum, each_hour, log_not_moved
from monitor.store.samples import NOTE, TICK
from monitor.store.writer import Batch, Writer, key_of, ms

BATCH = 400
LINGER_S = 0.02
TICK_S = 1.0
NOW_EVERY_S = 0.25
STORED_EVERY_S = 0.5
REFUSED_MAX = 500  # refused numbers that wait to be published; whoever sends more of them is answered next time
LEASE_EVERY_S = 2.0
LEASE_UNKNOWN_MAX = 15  # looks in a row that give no answer
CHECKPOINT_EVERY_S = 30.0
CHECKPOINT_EVERY_MESSAGES = 2000  # a snapshot takes as long as some 20 of them
ROLL_EVERY_S = 10.0
AGAIN_S = 1.0
AGAIN_MAX_S = 10.0  # where somebody has to put the store right
RESTORE_AGAIN_S = 60.0  # of an engine that could not be restored
STOP_WITHIN_S = 3.0  # a stop tries for so long to store what was taken
END_AGAIN_S = 0.2
END_TRIES = 25
HUNG_AFTER_S = 20.0  # and waits for so long for the thread, which may be moving an hour into its file
KEEP_HEALTH_MS = 3000

GONE = (LeaseLostError, SchemaVersionError)  # lines or tables are another's from now on: nothing more is written
NOT_WRITTEN = (SQLAlchemyError, OSError, CannotRunError)  # what may be put right: the batch is kept
FORGOTTEN = "number forgotten"  # kind of rejection
SUSPENDED = "line suspended"  # kind of rejection

T = TypeVar("T")

LOG = logging.getLogger("monitor")


@dataclass(slots=True)
class Done:
    """What one batch came to, for those who must be told."""

    outputs: list[Output]
    stored: Reports
    received: Sequence[Received]


@dataclass(frozen=True, slots=True)
class Written:
    """What is stored of a batch's numberings, and its outputs that are on record, with what was rejected."""

    stored: Reports
    outputs: Sequence[Output]


@dataclass(slots=True)
class Desk:
    """Decoder, engines and writer of some lines; used by one thread.

    `suspended` are lines of which nothing is taken for a while, and why: their gateways keep it.
    """

    configuration: Configuration
    writer: Writer
    pipelines: dict[str, Pipeline]
    suspended: dict[str, str] = field(default_factory=dict)
    decoder: Decoder = field(init=False)
    rejected: "Counter[str]" = field(default_factory=Counter)
    messages: int = 0
    committed_s: float | None = None
    pending: Batch | None = None  # taken, not written yet
    failed: Exception | None = None  # what an engine raised over the pending batch
    _salvage: Salvage | None = None  # of the pending batch
    _taken: list[Taken] = field(default_factory=list)
    _taken_s: float = 0.0
    _noted: int = 0
    _now_s: dict[str, float] = field(default_factory=dict)
    _checkpoint_s: dict[str, float] = field(default_factory=dict)
    _since_checkpoint: "Counter[str]" = field(default_factory=Counter)
    _behind: set[str] = field(default_factory=set)
    _kept: dict[str, str] = field(default_factory=dict)
    _looked_at: str = ""
    _tried_s: float = 0.0  # when an engine was last tried to be restored

    def __post_init__(self) -> None:
        c = self.configuration
        self.decoder = Decoder(c.works.works, {name: c.lines[name] for name in self.lines}, c.works.wire)

    @property
    def lines(self) -> list[str]:
        """All lines, judged or not."""
        return sorted({*self.pipelines, *self.suspended})

    @property
    def problems(self) -> list[str]:
        """What is wrong with lines and files, in words."""
        lines = [
            f"{line} is neither stored nor judged, its gateways keep it: {why}"
            for line, why in sorted(self.suspended.items())
        ]
        what, why = next(iter(self._kept.items()), ("", ""))
        more = f", and {len(self._kept) - 1} more" if len(self._kept) > 1 else ""
        return lines + ([f"{what} cannot be moved into a file ({why}){more}; the database keeps it"] if what else [])

    def take(self, received: Sequence[Received], now_s: float, notes: Sequence[Note] = ()) -> Batch:
        """Decode and feed what is not stored yet. The batch must be written before the next one is taken.

        `notes` are the monitor's on itself; they stand with the first of its lines.
        """
        numbers = self.writer.ledger.open_delta()
        outputs: list[Output] = []
        taken = self._notes(notes)
        for one in received:
            if one.arrival is not None:
                found = self._decode(one.arrival, numbers)
                if isinstance(found, Rejected):
                    outputs.append(found)
                    self.rejected[found.kind] += 1
                    if found.number is not None and found.final:
                        numbers.refuse(found.number.stream, found.number.start, found.number.n)
                elif found is not None:
                    taken.append(found)
        taken += self._ticks({one.kept.stream.line for one in taken}, now_s)
        self.messages += len(received)
        self._taken, self._taken_s = taken, now_s
        self.pending = Batch([one.pair for one in taken], outputs, numbers=numbers)
        try:
            outputs += self._feed(taken)
        except Exception as error:
            self.failed = error
            raise
        now = self._due_now(now_s)
        batch = replace(self.pending, now=now, states=self._due_states(now, now_s))
        if not (taken or numbers.streams):  # nothing was fed, nobody waits for an answer: it need not be written
            self.writer.ledger.drop(numbers)
            self.pending = None
            return replace(batch, numbers=None)
        self.pending = batch
        return batch

    def _decode(self, arrival: Arrival, numbers: LedgerDelta) -> Taken | Rejected | None:
        """A message that is new; what was wrong with it; nothing for one that is stored."""
        decoded = self.decoder.decode(arrival)
        if isinstance(decoded, Rejected):
            return decoded
        if decoded.stream.line in self.suspended:
            later = "the line is suspended, see the page Health: send the message again later"
            return Rejected(SUSPENDED, arrival.topic, later, arrival.received_s, decoded.stream.line)
        if (why := self.writer.aside.get(key_of(decoded))) is not None:
            number = MessageNumber(decoded.stream, decoded.start, decoded.n)
            return Rejected(SET_ASIDE, arrival.topic, why, arrival.received_s, decoded.stream.line, number)
        place = numbers.add(decoded.stream, decoded.start, decoded.n, ms(decoded.t_s))
        if place == "new":
            return Taken(decoded, decoded, arrival.payload)
        return _forgotten(decoded, arrival) if place == "forgotten" else None

    def _feed(self, taken: Sequence[Taken]) -> list[Output]:
        fed: dict[str, list[Message | Tick | Note]] = {}
        for one in taken:
            fed.setdefault(one.kept.stream.line, []).append(one.said)
        outputs: list[Output] = []
        for line, messages in fed.items():
            outputs += self.pipelines[line].feed(messages)
        self._behind |= set(fed)
        self._since_checkpoint.update({line: len(messages) for line, messages in fed.items()})
        return outputs

    def write(self, batch: Batch) -> Written:
        """Commit the batch that was taken. Raises while the store cannot be written: call again with the same batch.

        What it can never store as data, or an engine failed over, is set aside, and the rest is stored.
        """
        if self.failed is None and self._salvage is None:
            try:
                stored = self.writer.write(batch)
            except Exception as error:
                if not is_of_data(error):
                    raise
                LOG.error("a batch was refused (%s); looking for the message at fault", first_line(error))
            else:
                self.pending = None
                return Written(stored, batch.outputs)
        written = self._salvaged(batch)
        self.pending, self.failed, self._salvage = None, None, None
        return written

    def _salvaged(self, batch: Batch) -> Written:
        if self._salvage is None:
            self._salvage = Salvage(self.writer, self.configuration, self._taken, self._taken_s)
        salvage = self._salvage
        salvage.run()
        self._restored(salvage.pipelines, salvage.suspended)
        self._tried_s = self._taken_s if salvage.suspended else self._tried_s
        outputs: list[Output] = list(batch.outputs)
        if not salvage.was_committed:
            outputs = [output for output in outputs if isinstance(output, Rejected)]
            self.writer.write(Batch(outputs=outputs))
        outputs += [*salvage.rejected, *(output for of_line in salvage.outputs.values() for output in of_line)]
        self.rejected[SET_ASIDE] += len(salvage.rejected)
        touched = batch.numbers.touched if batch.numbers else {}
        return Written(reports_of(self.writer.ledger.streams, touched), outputs)

    def counts(self) -> dict[str, int]:
        """What was refused, by kind, and rows of the monitor's own that are not recorded."""
        not_recorded = self.writer.not_recorded.total()
        return dict(self.rejected) | ({NOT_RECORDED: not_recorded} if not_recorded else {})

    def _restored(self, pipelines: Mapping[str, Pipeline], suspended: Mapping[str, str]) -> None:
        """Engines that were made again go on; those of suspended lines know what the store does not."""
        self.suspended = {k: why for k, why in self.suspended.items() if k not in pipelines} | dict(suspended)
        self.pipelines = {k: p for k, p in (self.pipelines | dict(pipelines)).items() if k not in self.suspended}
        self._behind &= set(self.pipelines)

    def resume(self, now_s: float) -> None:
        """Try, not too often, to restore the engines of suspended lines."""
        if not self.suspended or self.pending is not None or now_s - self._tried_s < RESTORE_AGAIN_S:
            return
        self._tried_s = now_s
        self._restored(*restored(self.writer, self.configuration, list(self.suspended), self.suspended))

    def finish(self) -> None:
        """For a stop: write what was taken, then everything as it is. Raises as `Writer.write` does; call again then.

        Nothing is written of an engine that failed over what it was fed: it knows what the store does not.
        """
        if self.pending is not None:
            self.write(self.pending)
        if self.writer.ledger.opened is None:
            self.writer.write(self.last_batch())

    def _notes(self, notes: Sequence[Note]) -> list[Taken]:
        line, taken = min(self.pipelines, default=""), []
        for note in notes if line else ():
            self._noted = max(self._noted + 1, round(note.now_s * 1e3))
            kept = _own(Stream(line, MONITOR, NOTE), self._noted, note.now_s)
            taken.append(Taken(note, kept, msgspec.json.encode(note)))
        return taken

    def _ticks(self, heard: set[str], now_s: float) -> list[Taken]:
        """Lines that have been silent for long enough hear the wall clock once; it is kept as their messages are."""
        taken = []
        for line, pipeline in self.pipelines.items():
            silence = pipeline.line.silence
            if line in heard or silence is None or pipeline.silent or pipeline.heard_s is None:
                continue
            if now_s - pipeline.heard_s >= silence.after_s:
                kept = _own(Stream(line, MONITOR, TICK), round(now_s * 1e3), now_s)
                taken.append(Taken(Tick(round(now_s, 3)), kept, b""))
        return taken

    def _due_now(self, now_s: float) -> dict[str, LineNow]:
        due = {line for line in self._behind if now_s - self._now_s.get(line, 0.0) >= NOW_EVERY_S}
        self._behind -= due
        self._now_s |= dict.fromkeys(due, now_s)
        return {line: self.pipelines[line].now() for line in sorted(due)}

    def _due_states(self, now: Collection[str], now_s: float) -> dict[str, bytes]:
        """Snapshots of the lines of `now` that have had none for a while, or many messages since."""
        due = [line for line in now if self._is_due(line, now_s)]
        for line in due:
            self._checkpoint_s[line], self._since_checkpoint[line] = now_s, 0
        return {line: dump(self.pipelines[line]) for line in due}

    def _is_due(self, line: str, now_s: float) -> bool:
        many = self._since_checkpoint[line] >= CHECKPOINT_EVERY_MESSAGES
        return many or now_s - self._checkpoint_s.setdefault(line, now_s) >= CHECKPOINT_EVERY_S

    def last_batch(self) -> Batch:
        """Everything as it is. RuntimeError while a batch is open: its engines know what the store does not."""
        if self.writer.ledger.opened is not None:
            raise RuntimeError("expected every message taken to be stored before a checkpoint, got an open batch")
        now = {line: pipeline.now() for line, pipeline in self.pipelines.items() if pipeline.heard_s is not None}
        return Batch(now=now, states={line: dump(self.pipelines[line]) for line in now})

    def roll(self) -> None:
        """Move finished drums and full hours into files."""
        for _ in self.rolling():
            pass

    def rolling(self) -> Iterator[bool]:
        """Move finished drums and full hours into files step by step: other work, or a stop, may come between.

        What cannot be moved is logged once, until it changes.
        """
        store = self.configuration.works.store
        engine, folder, lines = self.writer.engine, Path(store.folder), self.writer.lines
        kept: dict[str, str] = {}
        keep_ms = round(store.raw_hours_in_database * 3_600_000)
        yield from self._by_itself("drums", each_drum(engine, folder, lines, kept.__setitem__), kept)
        yield from self._by_itself("hours", each_hour(engine, folder, keep_ms, lines, kept.__setitem__), kept)
        yield from self._by_itself("a look at files", self._look(engine, folder, lines), kept)
        for what, reason in kept.items():
            if self._kept.get(what) != reason:
                log_not_moved(what, reason)
        self._kept = kept

    def _by_itself(self, what: str, steps: Iterator[object], kept: dict[str, str]) -> Iterator[bool]:
        """Steps of one kind; a defect in them is reported and keeps no other kind from its own."""
        try:
            for _ in steps:
                yield True
        except NOT_WRITTEN:
            raise
        except Exception as error:  # noqa: BLE001 - moving files must not end the monitor, nor each other
            kept[what] = f"{type(error).__name__}: {first_line(error)}"

    def _look(self, engine: Engine, folder: Path, lines: Collection[str] | None) -> Iterator[str]:
        for path in manifest.look_in_turn(engine, folder, lines, self._looked_at):
            self._looked_at = path
            yield path


def restored(
    writer: Writer, configuration: Configuration, lines: Sequence[str], known: Mapping[str, str] = MappingProxyType({})
) -> tuple[dict[str, Pipeline], dict[str, str]]:
    """Engines as the store has them, and the lines of which it cannot be restored with the reason (`known` before)."""
    pipelines: dict[str, Pipeline] = {}
    suspended: dict[str, str] = {}
    for line in lines:
        try:
            pipelines[line] = restore(writer, configuration, line, LOG.info)
        except Exception as error:
            if not is_of_data(error):
                raise
            suspended[line] = suspension(line, error, known.get(line, ""))
    return pipelines, suspended


def _forgotten(message: Message, arrival: Arrival) -> Rejected:
    """A number so old that nobody remembers whether it is stored: taking it could store it twice."""
    why = f"message {message.n} of numbering {message.start} is older than what is remembered of its stream"
    number = MessageNumber(message.stream, message.start, message.n)
    return Rejected(FORGOTTEN, arrival.topic, why, arrival.received_s, message.stream.line, number)


def _own(stream: Stream, n: int, now_s: float) -> Message:
    """What the monitor tells its own engine, as a message that can be kept."""
    return Message(stream, n, now_s, now_s, now_s, None)  # type: ignore[arg-type]


@dataclass(slots=True)
class Service:
    """The tasks around one desk. One thread does all that touches engines and store, so that there is one writer."""

    desk: Desk
    link: Link
    clock: SteadyClock = field(default_factory=SteadyClock)
    watch: SelfWatch = field(default_factory=SelfWatch)
    hung: bool = False  # the thread did not come back at the stop: only the end of the process ends it
    thread: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1, thread_name_prefix="desk"))
    _owed: Reports = field(default_factory=dict)
    _refused_numbers: dict[MessageNumber, Rejected] = field(default_factory=dict)
    _alarms: "asyncio.Queue[tuple[str, bytes]]" = field(default_factory=asyncio.Queue)
    _problem: str = ""  # why the store cannot be written
    _not_rolled: str = ""  # why nothing moves into files
    _health: Health | None = None
    _health_ms: int = 0
    _notes: list[Note] = field(default_factory=list)
    _refused: "deque[int]" = field(default_factory=lambda: deque([0], maxlen=60))

    async def run(self) -> None:
        """Until cancelled; if one task fails, all end and the failure comes out."""
        doing = {
            "link": self.link.stay_connected, "work": self._work, "alarms": self._tell_alarms,
            "stored": self._tell_stored, "roll": self._roll, "health": self._tell_health,
        }  # fmt: skip
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
                    self.desk.writer.seal()
                    self.desk.writer.close()

    async def _finish(self) -> None:
        """Store what was taken, behind whatever the thread still does. Given up after a while: then no checkpoint."""
        loop = asyncio.get_running_loop()
        deadline_s = loop.time() + STOP_WITHIN_S
        while True:
            finished = loop.run_in_executor(self.thread, self.desk.finish)
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
        pending = self.desk.pending
        if pending is not None and pending.messages:
            LOG.error(
                "%d messages were not stored and not acknowledged; they come again after the next start",
                len(pending.messages),
            )

    async def _work(self) -> None:
        while True:
            received = await self._gather()
            notes, self._notes = self._notes, []
            batch = await self._take(received, notes)
            batch = self._with_health(batch)
            if not (batch.messages or batch.outputs or received or batch.now or batch.health):
                continue
            written = await self._write(batch)
            self.desk.committed_s = self.clock()
            self._tell(Done(list(written.outputs), written.stored, received))

    async def _take(self, received: Sequence[Received], notes: Sequence[Note]) -> Batch:
        """A batch, of which an engine that failed gives nothing: it is found in writing which message is at fault."""
        try:
            return await self._in_thread(self.desk.take, received, self.clock(), notes)
        except Exception:
            if self.desk.failed is None or self.desk.pending is None:
                raise
            LOG.exception("an engine failed; looking for the message at fault")
            return self.desk.pending

    def _with_health(self, batch: Batch) -> Batch:
        """What the monitor last said of itself goes into the store as well, every few seconds."""
        said = self._health
        if said is None or said.t - self._health_ms < KEEP_HEALTH_MS:
            return batch
        self._health_ms = said.t
        return replace(batch, health=said)

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
                written = await self._in_thread(self.desk.write, batch)
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
                self._problem = ""
                return written

    def _not_written(self, error: Exception) -> None:
        """Report why the store cannot be written: on Health, and in the log once for each reason."""
        problem = f"the store cannot be written ({first_line(error)}); nothing is acknowledged until it can"
        if is_unexpected(error):
            problem += ". It is not as the monitor expects: see its tables and permissions, or run everymetre doctor"
        if problem != self._problem:
            LOG.error(problem, exc_info=None if isinstance(error, NOT_WRITTEN) else error)
        self._problem = problem

    async def _keep_health(self) -> None:
        """Health by itself while no batch is stored, if the store takes that much: pages read it there."""
        if self._health is not None:
            with contextlib.suppress(Exception):
                await self._in_thread(self.desk.writer.write, Batch(health=self._health))

    def _tell(self, done: Done) -> None:
        """Acknowledge, and hand on what is to be said: waiting for the broker here would hold up what frees it."""
        for one in done.received:
            one.acknowledge()
        self._owed |= done.stored
        works = self.desk.configuration.works.works
        for output in done.outputs:
            if isinstance(output, Rejected) and shows_hearing(output):
                self._owed[hearing_stream(output.line), 0, HEARING.first] = HEARING
            if isinstance(output, Rejected) and output.number and len(self._refused_numbers) < REFUSED_MAX:
                self._refused_numbers[output.number] = output
            if isinstance(output, AlarmChange):
                said = msgspec.json.encode(self._said(output))
                self._alarms.put_nowait((monitor_topic(works, output.line, "alarm"), said))

    def _said(self, c: AlarmChange) -> AlarmSaid:
        text = f"{c.alarm} is {c.after.value}"
        drum, filling = (c.filling.drum, c.filling.filling) if c.filling else (None, None)
        t, occurrence = round(c.t_s * 1e3), round(c.occurrence_s * 1e3)
        return AlarmSaid(
            t, c.alarm, occurrence, c.after.value, c.priority.value, text, c.value, c.limit, c.line_metre, drum,
            filling,
        )  # fmt: skip

    async def _tell_alarms(self) -> None:
        while True:
            await self.link.publish(*await self._alarms.get())

    async def _tell_stored(self) -> None:
        """Each reports all that is stored of a numbering, so one that is lost is made good by the next."""
        while True:
            await asyncio.sleep(STORED_EVERY_S)
            owed, self._owed = self._owed, {}
            for (stream, _, _), report in owed.items():
                topic = stored_topic(self.desk.configuration.works.works, stream)
                await self.link.publish(topic, msgspec.json.encode(report), qos=0)
            refused, self._refused_numbers = self._refused_numbers, {}
            for number, r in refused.items():
                topic = refused_topic(self.desk.configuration.works.works, number.stream)
                refusal = Refused(number.n, r.why, number.start, r.final, r.kind)
                await self.link.publish(topic, msgspec.json.encode(refusal), qos=0)

    async def _roll(self) -> None:
        while True:
            await asyncio.sleep(ROLL_EVERY_S)
            steps = self.desk.rolling()
            try:
                while await self._in_thread(next, steps, False):
                    pass
                await self._in_thread(self.desk.resume, self.clock())
                problem = ""
            except NOT_WRITTEN as error:
                problem = f"files cannot be written ({first_line(error)}); the database keeps what was to move there"
                if problem != self._not_rolled:
                    LOG.error(problem)
            self._not_rolled = problem

    async def _tell_health(self) -> None:
        while True:
            await asyncio.sleep(1.0)
            desk, now_s = self.desk, self.clock()
            newest = [p.newest_s for p in desk.pipelines.values() if p.first_s is not None]
            committed = round(desk.committed_s * 1e3) if desk.committed_s else None
            free = shutil.disk_usage(desk.configuration.works.store.folder).free
            refused = sum(desk.rejected.values())
            health = Health(
                round(now_s * 1e3), desk.messages, desk.counts(), now_s - max(newest, default=now_s),
                self.link.inbox.qsize(), committed, free, float(refused - self._refused[0]), self.clock.step_s,
                [problem for problem in (self._problem, self._not_rolled, *desk.problems) if problem],
            )  # fmt: skip
            self._refused.append(refused)
            self._health = health
            self._notes += self.watch.judge(health)
            for line in desk.lines:
                topic = monitor_topic(self.desk.configuration.works.works, line, "health")
                await self.link.publish(topic, msgspec.json.encode(health), qos=0, retain=True)

    async def _in_thread(self, do: Callable[..., T], *args: object) -> T:
        return await asyncio.get_running_loop().run_in_executor(self.thread, do, *args)


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
    """Watch lines that are held, until told to stop. Returns an exit code."""
    writer, service = Writer(configuration.works.store, lines, lease), None
    try:
        refuse_conflicts(writer.engine, configuration, lines)
        pipelines, suspended = restored(writer, configuration, lines)
        writer.keep_revisions(configuration.recipes.values(), time.time())
        clock, watch = SteadyClock(), SelfWatch(standing(pipelines))
        link = _link(configuration, lines, at, clock)
        service = Service(Desk(configuration, writer, pipelines, suspended), link, clock, watch)
        return asyncio.run(_until_stopped(service, lease))
    except LeaseLostError as error:
        return _gone(error)
    finally:
        if service is not None and service.hung:
            _end_at_once()  # the interpreter would wait for the thread; nothing was acknowledged that is not stored
        writer.close()


def _link(configuration: Configuration, lines: Sequence[str], at: BrokerAddress, clock: SteadyClock) -> Link:
    works = configuration.works
    name = f"{works.works}-monitor-{hashlib.sha256(','.join(lines).encode()).hexdigest()[:10]}"
    everything = set(lines) == set(configuration.lines)  # then unknown lines are heard too, and counted
    filters = [subscription(works.works, line) for line in (["+"] if everything else lines)]
    return Link(at, works.broker, filters, name, LOG.info, clock)


def _gone(error: Exception) -> int:
    LOG.error("the monitor ends without another word to the store, and may be started again: %s", error)
    return 1


def _end_at_once() -> NoReturn:
    logging.shutdown()
    os._exit(1)


def standing(pipelines: Mapping[str, Pipeline]) -> dict[str, bool]:
    """The monitor's alarms on itself as its last run left them; they stand with the first of its lines."""
    alarms = pipelines[min(pipelines)].book.alarms if pipelines else {}
    return {name: alarm.active for name, alarm in alarms.items() if name in SELF_ALARMS}


async def _until_stopped(service: Service, lease: Lease) -> int:
    """Run until SIGINT or SIGTERM (0), or until a task fails (the failure comes out)."""
    guard = asyncio.create_task(_guard(lease, service.desk.writer.engine), name="lease")
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
