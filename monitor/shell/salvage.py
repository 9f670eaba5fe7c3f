"""Salvage of a batch that cannot be stored: the message at fault is set aside, the rest is stored.

A database may refuse data that decoding lets through, and an engine may fail over it; neither may stop a line. What
is at fault is found on copies of the engine as the store has it, in transactions that are rolled back.
"""

import logging
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from monitor.contract import bounds
from monitor.contract.config.configuration import Configuration
from monitor.contract.record import MessageNumber, Output, Rejected
from monitor.contract.topics import MONITOR, Stream, is_notification, sample_topic
from monitor.core.arrival import Message, Note, Tick
from monitor.core.decode import printable
from monitor.core.pipeline import Pipeline
from monitor.core.snapshot import Given, dump, load
from monitor.shell.defects import EngineError, engine_step
from monitor.shell.restore import restore
from monitor.store.samples import TICK
from monitor.store.store_errors import StoreNotAsExpectedError, first_line, is_of_data, is_of_line
from monitor.store.writer import Batch, SetAside, Writer, key_of, ms

SET_ASIDE = "set aside"  # kind of rejection
SEARCH_S = 2.0  # in one line's part of a batch; the other lines wait for so long
PROBES_MAX = 2000  # of one line's part of a batch; then the message at which it fails is taken for the one at fault

LOG = logging.getLogger("monitor")


@dataclass(frozen=True, slots=True)
class FedMessage:
    """The input of an engine, and the message that is kept for it, with its payload."""

    fed: Message | Tick | Note
    kept: Message
    payload: bytes

    @property
    def pair(self) -> tuple[Message, bytes]:
        """As a batch holds it."""
        return self.kept, self.payload

    @property
    def is_own(self) -> bool:
        """Whether the monitor made it: such a message has no publisher and no place in the ledger."""
        return self.kept.stream.station == MONITOR


@dataclass(slots=True, kw_only=True)
class Salvage:
    """Stores what can be stored of a batch. May be run again after a failure of the store: it continues."""

    writer: Writer
    configuration: Configuration
    taken: Sequence[FedMessage]
    now_s: float
    was_committed: bool = False  # the batch as it was: only the reply to its commit was lost
    rejected: list[Rejected] = field(default_factory=list)  # one for each message set aside
    outputs: dict[str, list[Output]] = field(default_factory=dict)  # of what was stored, by line
    pipelines: dict[str, Pipeline] = field(default_factory=dict)
    suspended: dict[str, str] = field(default_factory=dict)  # lines of which nothing is taken for a while, and why

    def run(self) -> None:
        """Raises what the store raises when it cannot be written."""
        self.writer.read_again()
        for line in sorted({one.kept.stream.line for one in self.taken}):
            of_line = [one for one in self.taken if one.kept.stream.line == line]
            waiting = [one for one in of_line if key_of(one.kept) not in self.writer.aside]
            if waiting and self.writer.holds(waiting[-1].kept):  # with it all the others of its line
                self.was_committed |= line not in self.outputs
                waiting = []
            pipeline = self._restored(line)
            if pipeline is not None:
                self._store(line, pipeline, waiting)

    def _restored(self, line: str) -> Pipeline | None:
        """The engine of a line as the store has it; None where it cannot be restored: nothing of it is stored then."""
        try:
            pipeline = restore(self.writer, self.configuration, line, LOG.info)
        except Exception as error:
            if not is_of_line(error):
                raise
            self.suspended[line] = suspension(line, error)
            return None
        self.suspended.pop(line, None)
        return pipeline

    def _store(self, line: str, pipeline: Pipeline, waiting: list[FedMessage]) -> None:
        """A line that takes too long is suspended: its gateway keeps what is not stored, and the others go on.

        So is one whose engine fails by itself, whatever it is fed.
        """
        try:
            with engine_step():
                state, given = dump(pipeline), _given(pipeline)
            self.pipelines[line] = _Line(salvage=self, line=line, state=state, given=given, waiting=waiting).run()
        except _TooLongError as error:
            self.suspended[line] = str(error)
            LOG.error("%s: nothing of the line is taken for a while: %s", line, error)
        except EngineError as error:
            self.suspended[line] = suspension(line, error)

    def give_up(self, guilty: Sequence[tuple[FedMessage, str]]) -> None:
        """Set messages aside, each with why. StoreNotAsExpectedError where the store refuses every message."""
        if not guilty:
            return
        aside = [self._aside(one, why) for one, why in guilty]
        try:
            self.writer.set_aside(aside)
        except Exception as error:
            if not is_of_data(error):
                raise
            self.control(guilty[0][0])
            for one in aside:
                self._keep_alone(one)
        self.rejected += [one.rejected for one in aside]

    def _aside(self, one: FedMessage, why: str) -> SetAside:
        m, topic = one.kept, sample_topic(self.configuration.works.works, one.kept.stream)
        number = None if one.is_own else MessageNumber(m.stream, m.start, m.n)
        why = printable(f"the message cannot be stored and is set aside: {why}", bounds.TEXT)
        LOG.error("%s: message %d of %s: %s", m.stream.line, m.n, m.stream.path, why)
        rejected = Rejected(
            kind=SET_ASIDE, topic=topic, why=why, received_s=m.received_s, line=m.stream.line, number=number
        )
        return SetAside(message=m, payload=one.payload, when_s=self.now_s, rejected=rejected)

    def _keep_alone(self, one: SetAside) -> None:
        try:
            self.writer.set_aside([one])
        except Exception as error:
            if not is_of_data(error):
                raise
            LOG.error("and it cannot be kept (%s); its bytes are %r", first_line(error), one.payload)

    def control(self, one: FedMessage) -> None:
        """Where even a message without content is refused, the table is at fault and no message."""
        try:
            self.writer.probe(_neutral(one))
        except Exception as error:
            if is_of_data(error):
                raise StoreNotAsExpectedError(f"even an empty message is refused: {first_line(error)}") from error
            raise

    def refusals(self, batches: Sequence[Batch], one: FedMessage) -> list[str | None]:
        """Why the store refuses each batch for certain, None where it takes it: a fault of its own may have passed.

        Certain is what it refuses twice and takes a neutral message directly before, between and after.
        StoreNotAsExpectedError where it refuses a neutral one.
        """
        neutral = _neutral(one)
        tries = [each for batch in batches for each in (neutral, batch, neutral, batch)]
        found = self.writer.probe_each([*tries, neutral])
        for error in filter(None, found[::2]):
            raise StoreNotAsExpectedError(f"even an empty message is refused: {first_line(error)}") from error
        twice = zip(found[1::4], found[3::4], strict=True)
        return [first_line(second) if first and second else None for first, second in twice]


def _neutral(one: FedMessage) -> Batch:
    """A message without content, beside one."""
    m = one.kept
    tick = Stream(m.stream.line, MONITOR, TICK)
    neutral = Message(stream=tick, n=0, t_s=m.t_s, end_s=m.t_s, received_s=m.received_s, body=m.body)
    return Batch(messages=[(neutral, b"")])


def suspension(line: str, error: BaseException, known: str = "") -> str:
    """Why a line is suspended, in words; logged with where the error came from, unless that is known."""
    what = f"its engine cannot be restored ({type(error).__name__}: {first_line(error)})"
    why = printable(what, bounds.TEXT)
    if why != known:
        LOG.error("%s: nothing of the line is taken until it can be: %s", line, why, exc_info=error)
    return why


@dataclass(slots=True, kw_only=True)
class _Line:
    """One line's part of a batch, and its engine as the store has it."""

    salvage: Salvage
    line: str
    state: bytes
    given: Given
    waiting: list[FedMessage]
    one_by_one: bool = False  # leave out what the database refuses of the outputs
    left_out: list[tuple[str, str]] = field(default_factory=list)  # kind and reason of outputs in the newest batch
    probes: int = 0
    until_s: float = field(default_factory=lambda: time.monotonic() + SEARCH_S)

    def run(self) -> Pipeline:
        """Store all but what is at fault; returns the engine afterwards."""
        self._set_aside_refused()
        passing = 0
        while (found := self._shortest_failing(passing)) is not None:
            failing, error = found
            guilty = self._at_fault(failing, error)
            if guilty is not None and not self._is_certain(failing, error):
                guilty = None
            if guilty is not None:
                self.salvage.give_up([(self.waiting.pop(guilty), first_line(error))])
                failing -= 1
            passing = failing if guilty is not None else 0
        return self._store()

    def _set_aside_refused(self) -> None:
        """Messages that the database refuses by themselves are at fault whatever an engine makes of them.

        The store is tried before the search as well: a lasting fault of the store needs no search.
        """
        if self.waiting and self._refusal(Batch(messages=[one.pair for one in self.waiting])) is not None:
            self.salvage.control(self.waiting[0])
            suspects = list(self._refused(range(len(self.waiting))))
            whys = self.salvage.refusals([Batch(messages=[self.waiting[i].pair]) for i in suspects], self.waiting[0])
            refused = {i: why for i, why in zip(suspects, whys, strict=True) if why is not None}
            self.salvage.give_up([(self.waiting[i], why) for i, why in refused.items()])
            self.waiting = [one for i, one in enumerate(self.waiting) if i not in refused]

    def _refused(self, places: Sequence[int]) -> Iterator[int]:
        error = self._refusal(Batch(messages=[self.waiting[i].pair for i in places])) if places else None
        if error is None:
            return
        if len(places) == 1:
            yield places[0]
            return
        middle = len(places) // 2
        yield from self._refused(places[:middle])
        yield from self._refused(places[middle:])

    def _shortest_failing(self, passing: int) -> tuple[int, Exception] | None:
        """Length of a beginning that fails, and how, while the one shorter by a message passes; None where all pass."""
        step, count = 1, len(self.waiting)
        longest, failing, why = passing, 0, None
        while longest < count and not failing:
            end = min(longest + step, count)
            error = self._probe(self.waiting[:end])
            if error is None:
                longest, step = end, step * 2
            else:
                failing, why = end, error
        while failing - longest > 1:
            middle = (longest + failing) // 2
            error = self._probe(self.waiting[:middle])
            if error is None:
                longest = middle
            else:
                failing, why = middle, error
        return None if why is None else (failing, why)

    def _at_fault(self, failing: int, error: Exception) -> int | None:
        """Which message's removal lets a beginning pass.

        What a message brings about often shows with a later one, so messages without samples are tried first, newest
        first. Where only outputs are refused and none of these helps, those are left out and nobody is blamed.
        """
        part = self.waiting[:failing]
        without_samples = [i for i in reversed(range(failing)) if is_notification(part[i].kept.stream.quantity)]
        of_samples = [i for i in reversed(range(failing)) if i not in without_samples]
        if not (self.one_by_one or isinstance(error, EngineError)):
            guilty = self._removable(part, without_samples)
            if guilty is None:
                self.one_by_one = True
                return None
        else:
            guilty = self._removable(part, without_samples + of_samples)
        return failing - 1 if guilty is None else guilty

    def _is_certain(self, failing: int, error: Exception) -> bool:
        """Whether it is no fault of the store that a beginning fails; that it took the rest was seen."""
        part = self.waiting[:failing]
        if isinstance(error, EngineError):
            return True
        _, batch = self._batch(part)
        return self.salvage.refusals([batch], part[0]) != [None]

    def _removable(self, part: Sequence[FedMessage], candidates: Sequence[int]) -> int | None:
        for i in candidates:
            if self.probes > PROBES_MAX:
                return None
            if self._probe([*part[:i], *part[i + 1 :]]) is None:
                return i
        return None

    def _refusal(self, batch: Batch) -> Exception | None:
        """Why the database refuses a batch as data; raises what a store raises that cannot be written."""
        try:
            self.salvage.writer.probe(batch)
        except Exception as error:
            if not is_of_data(error):
                raise
            return error
        return None

    def _probe(self, part: Sequence[FedMessage]) -> Exception | None:
        """What is wrong with storing these after what the store has; nothing stays of it."""
        self.probes += 1
        if time.monotonic() > self.until_s:
            raise _TooLongError(f"its messages were looked through for {SEARCH_S:.0f} s, and more of them are at fault")
        try:
            _, batch = self._batch(part)
        except EngineError as error:
            return error
        return self._refusal(batch)

    def _batch(self, part: Sequence[FedMessage]) -> tuple[Pipeline, Batch]:
        """An engine that was fed these, and what is written of it."""
        with engine_step():
            pipeline = load(self.state, replace(self.given, recipes=dict(self.given.recipes)))
            outputs = pipeline.feed([one.fed for one in part])
        if self.one_by_one:
            self.left_out = []
            outputs = [output for output in outputs if self._is_taken(output)]
        return pipeline, Batch(messages=[one.pair for one in part], outputs=outputs)

    def _is_taken(self, output: Output) -> bool:
        batch = Batch(outputs=[output])
        if self._refusal(batch) is None:
            return True
        [why] = self.salvage.refusals([batch], self.waiting[0])
        if why is not None:
            self.left_out.append((type(output).__name__, why))
        return why is None

    def _store(self) -> Pipeline:
        pipeline, batch = self._batch(self.waiting)
        refused = [r.number for r in self.salvage.rejected if r.line == self.line and r.number is not None]
        if not (self.waiting or refused):
            return pipeline
        numbers = self.salvage.writer.ledger.open_delta()
        for number in refused:
            numbers.refuse(number.stream, number.start, number.n)
        for one in self.waiting:
            if not one.is_own:
                numbers.add(one.kept.stream, one.kept.start, one.kept.n, ms(one.kept.t_s))
        batch = Batch(messages=batch.messages, outputs=batch.outputs, numbers=numbers)
        self.salvage.outputs[self.line] = list(batch.outputs)
        self.salvage.writer.write(batch)
        for what, reason in self.left_out:
            self.salvage.writer.leave_out(self.line, what, reason)
        return pipeline


class _TooLongError(Exception):
    """The messages at fault in a line's part of a batch were not found in time."""


def _given(pipeline: Pipeline) -> Given:
    return Given(line=pipeline.line, recipes=pipeline.revisions.earlier, fillings=pipeline.drums.fillings)
