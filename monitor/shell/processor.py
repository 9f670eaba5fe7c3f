"""The engine, the ledger and the writer of some lines: takes what was received, and stores the results."""

import logging
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar

import msgspec
from sqlalchemy import Engine as Database
from sqlalchemy.exc import SQLAlchemyError

from monitor.contract.command import CannotRunError
from monitor.contract.config.configuration import Configuration
from monitor.contract.record import LineNow, MessageNumber, Output, Rejected
from monitor.contract.topics import MONITOR, Stream
from monitor.core.arrival import Arrival, LineArrival, Message, Note, Tick
from monitor.core.decode import Decoder
from monitor.core.engine import Engine
from monitor.core.pipeline import Pipeline
from monitor.core.snapshot import dump
from monitor.shell.broker_link import Received
from monitor.shell.defects import Defects, EngineError, engine_step
from monitor.shell.restore import restore
from monitor.shell.salvage import SET_ASIDE, FedMessage, Salvage, suspension
from monitor.shell.unknown_lines import UnknownLines, answers_for_all
from monitor.store import manifest
from monitor.store.ledger import LedgerDelta, Reports, reports_of
from monitor.store.rolling import each_drum, each_hour, log_not_moved
from monitor.store.samples import NOTE, TICK
from monitor.store.store_errors import NOT_RECORDED, first_line, is_of_data, is_of_line
from monitor.store.writer import Batch, Writer, key_of, ms

NOW_EVERY_S = 0.25
CHECKPOINT_EVERY_S = 30.0
CHECKPOINT_EVERY_MESSAGES = 2000  # a snapshot takes as long as some 20 of them
RESTORE_AGAIN_S = 60.0  # of an engine that could not be restored

NOT_WRITTEN = (SQLAlchemyError, OSError, CannotRunError)  # what may be put right: the batch is kept
FORGOTTEN = "number forgotten"  # kind of rejection
SUSPENDED = "line suspended"  # kind of rejection
CLOCK = ("clock behind", "clock ahead")  # kinds of rejection of streams that the configuration has

T = TypeVar("T")

LOG = logging.getLogger("monitor")


@dataclass(frozen=True, slots=True)
class Written:
    """What is stored of a batch's numberings, and its outputs that are on record, with what was rejected."""

    stored: Reports
    outputs: Sequence[Output]


@dataclass(slots=True, kw_only=True)
class Processor:
    """Decoder, engines and writer of some lines; used by one thread.

    `suspended` are lines of which nothing is taken for a while, and why: their gateways keep it.
    """

    configuration: Configuration
    writer: Writer
    engine: Engine
    suspended: dict[str, str] = field(default_factory=dict)
    decoder: Decoder = field(init=False)
    defects: Defects = field(init=False)
    unknown_lines: UnknownLines | None = field(init=False)
    rejected: "Counter[str]" = field(default_factory=Counter)
    messages: int = 0
    committed_s: float | None = None
    pending: Batch | None = None  # taken, not written yet
    failed: Exception | None = None  # what an engine raised over the pending batch
    _salvage: Salvage | None = None  # of the pending batch
    _taken: list[FedMessage] = field(default_factory=list)
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
        self.decoder = Decoder.of(self.configuration, self.lines)
        self.defects = Defects(self.decoder)
        works, every = self.configuration.works.works, self.configuration.lines
        self.unknown_lines = (
            UnknownLines(works=works, lines=every) if answers_for_all(self.configuration, self.lines) else None
        )

    @property
    def lines(self) -> list[str]:
        """All lines, with an engine or not."""
        return sorted({*self.engine.pipelines, *self.suspended})

    @property
    def problems(self) -> list[str]:
        """Problems of lines and files, in words."""
        lines = [
            f"{line} is neither stored nor judged, its gateways keep it: {why}"
            for line, why in sorted(self.suspended.items())
        ]
        what, why = next(iter(self._kept.items()), ("", ""))
        more = f", and {len(self._kept) - 1} more" if len(self._kept) > 1 else ""
        return lines + ([f"{what} cannot be moved into a file ({why}){more}; the database keeps it"] if what else [])

    def take(self, received: Sequence[Received], now_s: float, notes: Sequence[Note] = ()) -> Batch:
        """Decode and feed what is not stored yet. The batch must be written before the next one is taken.

        `notes` are the monitor's on itself; they are kept with the first of its lines.
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
                    self._enter(found, numbers)
                elif found is not None:
                    taken.append(found)
        taken += self._ticks({one.kept.stream.line for one in taken}, now_s)
        self.messages += len(received)
        self._taken, self._taken_s = taken, now_s
        aside, self.defects.kept = self.defects.kept, []
        self.pending = Batch(messages=[one.pair for one in taken], outputs=outputs, numbers=numbers, aside=aside)
        try:
            outputs += self._feed(taken)
        except Exception as error:
            self.failed = error
            raise
        now = self._due_now(now_s, outputs)
        batch = replace(self.pending, now=now, states=self._due_states(now, now_s, outputs))
        if not (taken or numbers.streams):  # nothing was fed, no publisher waits for a report: it need not be written
            self.writer.ledger.drop(numbers)
            self.pending = None
            return replace(batch, numbers=None)
        self.pending = batch
        return batch

    def _enter(self, rejected: Rejected, numbers: LedgerDelta) -> None:
        """The number of what is not stored: never to come, or to be expected for however long."""
        number = rejected.number
        if number is None:
            return
        if rejected.final:
            numbers.refuse(number.stream, number.start, number.n)
        elif rejected.kind in CLOCK or numbers.knows(number.stream):  # no stranger's stream is entered
            numbers.defer(number.stream, number.start, number.n)

    def _decode(self, arrival: Arrival, numbers: LedgerDelta) -> FedMessage | Rejected | None:
        """A message that is new; what was wrong with it; nothing for one that is stored."""
        try:
            decoded = self.decoder.decode(arrival)
        except Exception as error:  # noqa: BLE001 - a defect in decoding stops no line
            return self.defects.reject(arrival, error)
        if isinstance(decoded, Rejected):
            if not decoded.line and self.unknown_lines is not None:
                return self.unknown_lines.answer(decoded, arrival)
            return decoded
        if decoded.stream.line in self.suspended:
            later = "the line is suspended, see the page Health: send the message again later"
            return Rejected(
                kind=SUSPENDED, topic=arrival.topic, why=later, received_s=arrival.received_s, line=decoded.stream.line
            )
        if (why := self.writer.aside.get(key_of(decoded))) is not None:
            number = MessageNumber(decoded.stream, decoded.start, decoded.n)
            return Rejected(
                kind=SET_ASIDE,
                topic=arrival.topic,
                why=why,
                received_s=arrival.received_s,
                line=decoded.stream.line,
                number=number,
            )
        place = numbers.add(decoded.stream, decoded.start, decoded.n, ms(decoded.t_s))
        if place == "new":
            return FedMessage(decoded, decoded, arrival.payload)
        return _forgotten(decoded, arrival) if place == "forgotten" else None

    def _feed(self, taken: Sequence[FedMessage]) -> list[Output]:
        fed: dict[str, list[LineArrival]] = {}
        for one in taken:
            fed.setdefault(one.kept.stream.line, []).append(one.fed)
        with engine_step():
            outputs = self.engine.feed(fed)
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
            self._salvage = Salvage(
                writer=self.writer, configuration=self.configuration, taken=self._taken, now_s=self._taken_s
            )
        salvage = self._salvage
        salvage.run()
        self._restored(salvage.pipelines, salvage.suspended)
        self._tried_s = self._taken_s if salvage.suspended else self._tried_s
        outputs: list[Output] = list(batch.outputs)
        if not salvage.was_committed:
            rejected = [output for output in outputs if isinstance(output, Rejected)]
            numbers = self.writer.ledger.open_delta()
            for one in rejected:
                self._enter(one, numbers)
            self.writer.write(Batch(outputs=rejected, numbers=numbers, aside=batch.aside))
            outputs = [*rejected]
        outputs += [*salvage.rejected, *(output for of_line in salvage.outputs.values() for output in of_line)]
        self.rejected[SET_ASIDE] += len(salvage.rejected)
        touched = batch.numbers.touched if batch.numbers else {}
        return Written(reports_of(self.writer.ledger.streams, touched), outputs)

    def counts(self) -> dict[str, int]:
        """Rejected messages by kind, and rows of the monitor's own that are not recorded."""
        not_recorded = self.writer.not_recorded.total()
        return dict(self.rejected) | ({NOT_RECORDED: not_recorded} if not_recorded else {})

    def _restored(self, pipelines: Mapping[str, Pipeline], suspended: Mapping[str, str]) -> None:
        """Engines rebuilt in between go on; those of suspended lines hold messages that the store does not have."""
        self.suspended = {k: why for k, why in self.suspended.items() if k not in pipelines} | dict(suspended)
        pipelines = self.engine.pipelines | dict(pipelines)
        self.engine = Engine({line: p for line, p in pipelines.items() if line not in self.suspended})
        self._behind &= set(self.engine.pipelines)

    def resume(self, now_s: float) -> None:
        """Try, not too often, to restore the engines of suspended lines."""
        if not self.suspended or self.pending is not None or now_s - self._tried_s < RESTORE_AGAIN_S:
            return
        self._tried_s = now_s
        engine, suspended = restored(self.writer, self.configuration, list(self.suspended), self.suspended)
        self._restored(engine.pipelines, suspended)

    def finish(self) -> None:
        """For a stop: write what was taken, then everything as it is. Raises as `Writer.write` does; call again then.

        Nothing is written of an engine that failed over what it was fed: it knows what the store does not.
        """
        if self.pending is not None:
            self.write(self.pending)
        if self.writer.ledger.opened is None:
            self.writer.write(self.last_batch())

    def _notes(self, notes: Sequence[Note]) -> list[FedMessage]:
        """Raised with the first line that has an engine; returned wherever it is active."""
        pipelines, taken = self.engine.pipelines, []
        for note in notes if pipelines else ():
            for line in lines_with(pipelines, note.alarm) if note.event == "returned" else [min(pipelines)]:
                self._noted = max(self._noted + 1, round(note.now_s * 1e3))
                kept = _own(Stream(line, MONITOR, NOTE), self._noted, note.now_s)
                taken.append(FedMessage(note, kept, msgspec.json.encode(note)))
        return taken

    def _ticks(self, received: set[str], now_s: float) -> list[FedMessage]:
        """Lines that have been silent for long enough get the time once; it is kept as their messages are."""
        taken = []
        for line in self.engine.silent(now_s):
            if line not in received:
                kept = _own(Stream(line, MONITOR, TICK), round(now_s * 1e3), now_s)
                taken.append(FedMessage(Tick(round(now_s, 3)), kept, b""))
        return taken

    def _due_now(self, now_s: float, outputs: list[Output]) -> dict[str, LineNow]:
        due = {line for line in self._behind if now_s - self._now_s.get(line, 0.0) >= NOW_EVERY_S}
        self._behind -= due
        self._now_s |= dict.fromkeys(due, now_s)
        return self._made("line_now", sorted(due), Pipeline.now, outputs)

    def _due_states(self, now: Collection[str], now_s: float, outputs: list[Output]) -> dict[str, bytes]:
        """Snapshots of the lines of `now` that have had none for a while, or many messages since."""
        due = [line for line in now if self._is_due(line, now_s)]
        for line in due:
            self._checkpoint_s[line], self._since_checkpoint[line] = now_s, 0
        return self._made("checkpoint", due, dump, outputs)

    def _made(
        self, what: str, lines: Iterable[str], make: Callable[[Pipeline], T], outputs: list[Output]
    ) -> dict[str, T]:
        """Status or snapshots of engines; a failing one is not recorded, and the line goes on."""
        made: dict[str, T] = {}
        for line in lines:
            try:
                with engine_step():
                    made[line] = make(self.engine.pipelines[line])
            except EngineError as error:
                outputs.append(self.writer.not_made(line, what, error))
        return made

    def _is_due(self, line: str, now_s: float) -> bool:
        many = self._since_checkpoint[line] >= CHECKPOINT_EVERY_MESSAGES
        return many or now_s - self._checkpoint_s.setdefault(line, now_s) >= CHECKPOINT_EVERY_S

    def last_batch(self) -> Batch:
        """Status and snapshots of all lines. RuntimeError while a batch is open, whose messages are not stored yet."""
        if self.writer.ledger.opened is not None:
            raise RuntimeError("expected every message taken to be stored before a checkpoint, got an open batch")
        received = [line for line, pipeline in self.engine.pipelines.items() if pipeline.silence.heard_s is not None]
        outputs: list[Output] = []
        now = self._made("line_now", received, Pipeline.now, outputs)
        return Batch(outputs=outputs, now=now, states=self._made("checkpoint", now, dump, outputs))

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

    def _look(self, engine: Database, folder: Path, lines: Collection[str] | None) -> Iterator[str]:
        for path in manifest.look_in_turn(engine, folder, lines, self._looked_at):
            self._looked_at = path
            yield path


def restored(
    writer: Writer, configuration: Configuration, lines: Sequence[str], known: Mapping[str, str] = MappingProxyType({})
) -> tuple[Engine, dict[str, str]]:
    """The engine as the store has it, and the lines that cannot be restored with the reason (`known` before)."""
    pipelines: dict[str, Pipeline] = {}
    suspended: dict[str, str] = {}
    for line in lines:
        try:
            pipelines[line] = restore(writer, configuration, line, LOG.info)
        except Exception as error:
            if not is_of_line(error):
                raise
            suspended[line] = suspension(line, error, known.get(line, ""))
    return Engine(pipelines), suspended


def _forgotten(message: Message, arrival: Arrival) -> Rejected:
    """A number so old that it is not known whether it is stored: taking it could store it twice."""
    why = f"message {message.n} of numbering {message.start} is older than the numberings kept of its stream"
    number = MessageNumber(message.stream, message.start, message.n)
    return Rejected(
        kind=FORGOTTEN,
        topic=arrival.topic,
        why=why,
        received_s=arrival.received_s,
        line=message.stream.line,
        number=number,
    )


def lines_with(pipelines: Mapping[str, Pipeline], alarm: str) -> list[str]:
    """Lines with which an alarm of the monitor on itself is active."""
    return sorted(
        line for line, pipeline in pipelines.items()
        if alarm in pipeline.book.alarms and pipeline.book.alarms[alarm].active
    )  # fmt: skip


def _own(stream: Stream, n: int, now_s: float) -> Message:
    """What the monitor feeds its own engine, as a message that can be kept."""
    return Message(stream=stream, n=n, t_s=now_s, end_s=now_s, received_s=now_s, body=None)  # type: ignore[arg-type]
