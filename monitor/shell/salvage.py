"""A batch that cannot be stored as it is: the message at fault is set aside, everything else is stored.

A database may refuse data that decoding lets through, and an engine may fail over it; neither may stop a line. What
is at fault is found on copies of the engine as the store has it, in transactions that are rolled back.
"""

import logging
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from monitor.contract import bounds
from monitor.contract.config.configuration import Configuration
from monitor.contract.messages import Stored
from monitor.contract.record import MessageNumber, Output, Rejected
from monitor.contract.topics import MONITOR, Stream, is_story, sample_topic
from monitor.core.arrival import Message, Note, Tick
from monitor.core.decode import printable
from monitor.core.pipeline import Pipeline
from monitor.core.snapshot import Given, dump, load
from monitor.shell.restore import restore
from monitor.store.ledger import Ledger
from monitor.store.refusals import StoreNotAsExpectedError, first_line, is_of_data
from monitor.store.samples import TICK
from monitor.store.writer import Batch, SetAside, Writer, key_of, ms

SET_ASIDE = "set aside"  # kind of rejection
PROBES_MAX = 2000  # of one line's part of a batch; then the message at which it fails is taken for the one at fault

LOG = logging.getLogger("monitor")


@dataclass(frozen=True, slots=True)
class Taken:
    """What an engine is fed, and the message it is kept as, with the bytes that came."""

    said: Message | Tick | Note
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


@dataclass(slots=True)
class Salvage:
    """Stores of a batch what can be stored. May be run again after a failure of the store: it goes on where it was."""

    writer: Writer
    configuration: Configuration
    taken: Sequence[Taken]
    now_s: float
    was_committed: bool = False  # the batch as it was: only the answer to its commit was lost
    rejected: list[Rejected] = field(default_factory=list)  # one for each message set aside
    outputs: dict[str, list[Output]] = field(default_factory=dict)  # of what was stored, by line
    pipelines: dict[str, Pipeline] = field(default_factory=dict)
    suspended: dict[str, str] = field(default_factory=dict)  # lines whose engine cannot be restored, and why

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
                self.pipelines[line] = _Line(self, line, dump(pipeline), _given(pipeline), waiting).run()

    def _restored(self, line: str) -> Pipeline | None:
        """The engine of a line as the store has it; None where it cannot be restored: nothing of it is stored then."""
        try:
            pipeline = restore(self.writer, self.configuration, line, LOG.info)
        except Exception as error:
            if not is_of_data(error):
                raise
            self.suspended[line] = suspension(line, error)
            return None
        self.suspended.pop(line, None)
        return pipeline

    def give_up(self, one: Taken, why: str) -> None:
        """Set a message aside. StoreNotAsExpectedError where the store refuses any message of its line."""
        self._control(one)
        m, topic = one.kept, sample_topic(self.configuration.works.works, one.kept.stream)
        number = None if one.is_own else MessageNumber(m.stream, m.start, m.n)
        why = printable(f"the message cannot be stored and is set aside: {why}", bounds.TEXT)
        rejected = Rejected(SET_ASIDE, topic, why, m.received_s, m.stream.line, number)
        LOG.error("%s: message %d of %s: %s", m.stream.line, m.n, m.stream.path, why)
        try:
            self.writer.set_aside(SetAside(message=m, payload=one.payload, when_s=self.now_s, rejected=rejected))
        except Exception as error:
            if not is_of_data(error):
                raise
            LOG.error("and it cannot be kept (%s); its bytes are %r", first_line(error), one.payload)
        self.rejected.append(rejected)

    def _control(self, one: Taken) -> None:
        """Where even a message without content is refused, the table is at fault and no message."""
        m = one.kept
        empty = Message(Stream(m.stream.line, MONITOR, TICK), 0, m.t_s, m.t_s, m.received_s, m.body)
        try:
            self.writer.probe(Batch([(empty, b"")]))
        except Exception as error:
            if is_of_data(error):
                raise StoreNotAsExpectedError(f"even an empty message is refused: {first_line(error)}") from error
            raise


def suspension(line: str, error: BaseException, known: str = "") -> str:
    """Why a line is suspended, in words; logged with where the error came from, unless that is known."""
    why = printable(f"{type(error).__name__}: {first_line(error)}", bounds.TEXT)
    if why != known:
        said = "%s: the engine cannot be restored; nothing of the line is taken until it can (%s)"
        LOG.error(said, line, why, exc_info=error)
    return why


@dataclass(slots=True)
class _Line:
    """One line's part of a batch, and its engine as the store has it."""

    salvage: Salvage
    line: str
    state: bytes
    given: Given
    waiting: list[Taken]
    one_by_one: bool = False  # leave out what the database refuses of the outputs
    left_out: list[tuple[str, str]] = field(default_factory=list)  # kind and reason of outputs in the newest batch
    probes: int = 0

    def run(self) -> Pipeline:
        """Store all but what is at fault; returns the engine afterwards."""
        passing = 0
        while (failing := self._shortest_failing(passing)) is not None:
            guilty, why = self._at_fault(failing)
            if guilty is not None:
                self.salvage.give_up(self.waiting.pop(guilty), why)
                failing -= 1
            passing = failing if guilty is not None else 0
        return self._store()

    def _shortest_failing(self, passing: int) -> int | None:
        """Length of a beginning that fails while the one shorter by a message passes; None where all pass."""
        step, count = 1, len(self.waiting)
        longest, failing = passing, 0
        while longest < count and not failing:
            end = min(longest + step, count)
            if self._probe(self.waiting[:end]) is None:
                longest, step = end, step * 2
            else:
                failing = end
        if not failing:
            return None
        while failing - longest > 1:
            middle = (longest + failing) // 2
            if self._probe(self.waiting[:middle]) is None:
                longest = middle
            else:
                failing = middle
        return failing

    def _at_fault(self, failing: int) -> tuple[int | None, str]:
        """Which message's removal lets a beginning pass, and why.

        What a message brings about often shows with a later one, so the story's messages are tried first, newest
        first. Where only outputs are refused and none of the story helps, those are left out and nobody is blamed.
        """
        part = self.waiting[:failing]
        error = self._probe(part)
        if error is None:  # it passes now: nothing is at fault
            return None, ""
        of_story = [i for i in reversed(range(failing)) if is_story(part[i].kept.stream.quantity)]
        of_samples = [i for i in reversed(range(failing)) if i not in of_story]
        if not (self.one_by_one or isinstance(error, _EngineError)):
            guilty = self._removable(part, of_story)
            if guilty is None:
                guilty = next((i for i in of_samples if self._is_refused(part[i])), None)
            if guilty is None:
                self.one_by_one = True
                return None, ""
        else:
            guilty = self._removable(part, of_story + of_samples)
        return failing - 1 if guilty is None else guilty, first_line(error)

    def _removable(self, part: Sequence[Taken], candidates: Sequence[int]) -> int | None:
        for i in candidates:
            if self.probes > PROBES_MAX:
                return None
            if self._probe([*part[:i], *part[i + 1 :]]) is None:
                return i
        return None

    def _is_refused(self, one: Taken) -> bool:
        """Whether the database refuses the message itself."""
        return self._refusal(Batch([one.pair])) is not None

    def _refusal(self, batch: Batch) -> Exception | None:
        """Why the database refuses a batch as data; raises what a store raises that cannot be written."""
        try:
            self.salvage.writer.probe(batch)
        except Exception as error:
            if not is_of_data(error):
                raise
            return error
        return None

    def _probe(self, part: Sequence[Taken]) -> Exception | None:
        """What is wrong with storing these after what the store has; nothing stays of it."""
        self.probes += 1
        try:
            _, batch = self._batch(part)
        except _EngineError as error:
            return error
        return self._refusal(batch)

    def _batch(self, part: Sequence[Taken]) -> tuple[Pipeline, Batch]:
        """An engine that was fed these, and what is written of it."""
        pipeline = load(self.state, replace(self.given, recipes=dict(self.given.recipes)))
        try:
            outputs = pipeline.feed([one.said for one in part])
        except Exception as error:
            raise _EngineError(f"{type(error).__name__}: {error}") from error
        if self.one_by_one:
            self.left_out = []
            outputs = [output for output in outputs if self._is_taken(output)]
        return pipeline, Batch([one.pair for one in part], outputs)

    def _is_taken(self, output: Output) -> bool:
        error = self._refusal(Batch(outputs=[output]))
        if error is not None:
            self.left_out.append((type(output).__name__, first_line(error)))
        return error is None

    def _store(self) -> Pipeline:
        pipeline, batch = self._batch(self.waiting)
        if not self.waiting:
            return pipeline
        numbers = self.salvage.writer.ledger.open_delta()
        for one in self.waiting:
            if not one.is_own:
                numbers.add(one.kept.stream, one.kept.start, one.kept.n, ms(one.kept.t_s))
        batch = Batch(batch.messages, batch.outputs, numbers=numbers)
        self.salvage.outputs[self.line] = list(batch.outputs)
        self.salvage.writer.write(batch)
        for what, reason in self.left_out:
            self.salvage.writer.leave_out(self.line, what, reason)
        return pipeline


class _EngineError(Exception):
    """An engine failed over what it was fed."""


def reports_of(ledger: Ledger, touched: "dict[Stream, set[int]]") -> dict[tuple[Stream, int], Stored]:
    """What is stored of some numberings, by stream and start."""
    return {
        (stream, report.start): report
        for stream, starts in sorted(touched.items())
        if stream in ledger.streams
        for report in ledger.streams[stream].reports(starts)
    }


def _given(pipeline: Pipeline) -> Given:
    return Given(pipeline.line, pipeline.revisions.earlier, pipeline.fillings)
