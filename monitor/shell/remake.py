"""The record of a line made again: every message that is stored, from the first on, through a new engine.

What the configuration files brought while the line was watched is taken where the monitor took it: after the same
message, in the same way. A line whose description changed goes on through `restore`, as its monitor did.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from sqlalchemy import Engine, func, select

from monitor.analysis.differences import Difference
from monitor.analysis.in_force import recipes_in_force
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.config.works import Store
from monitor.contract.record import Output
from monitor.contract.topics import MONITOR
from monitor.core.arrival import Message, Note, Tick
from monitor.core.cure.plan import COLUMNS, COOLING
from monitor.core.pipeline import Pipeline
from monitor.shell.compared import Comparison, compare
from monitor.shell.restore import restore
from monitor.shell.state_on_record import StateOnRecord
from monitor.store import last_known
from monitor.store.database import open_for_reading
from monitor.store.message_history import END_ID, Came, History
from monitor.store.revisions import (
    FILES,
    Taken,
    contents,
    lines_on_record,
    recipes_on_record,
    recipes_that_came,
    taken_from_files,
)
from monitor.store.schema import DRUM, METRE_BLOCK
from monitor.store.writer import Batch, Restored, Writer, ms

END_MS = 2**53
VALUE_BYTES = 8
COPIES = 2  # of a row: in the database, and for a while in its log


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A line made again: from how many messages since when (UTC ms), and what came of it."""

    messages: int
    first_ms: int | None
    rows: int
    entries: int
    digests: tuple[tuple[str, str], ...]  # (number and drum, digest) of each finished filling
    differences: tuple[Difference, ...]


def remake(configuration: Configuration, line: str, folder: Path) -> Made:
    """Make a line's record again in a folder of its own, and compare."""
    stored, made = configuration.works.store, Store(folder=str(folder))
    engine, writer = open_for_reading(stored), Writer(made, [line])
    try:
        making = _Making.of(engine, writer, configuration, line)
        making.run()
    finally:
        writer.close()
        engine.dispose()
    since_ms = END_MS if making.first_ms is None else making.first_ms
    found = compare(Comparison(stored=stored, made=made, line=line, since_ms=since_ms))
    return Made(
        messages=making.messages, first_ms=making.first_ms, rows=found.rows, entries=found.entries,
        digests=tuple(found.digests), differences=(*making.snapshot.differences, *found.differences),
    )  # fmt: skip


def room_bytes(configuration: Configuration, line: str) -> int:
    """How much disk the rows of a line take while they are made again, with what the database logs of them."""
    b, d = METRE_BLOCK.c, DRUM.c
    blocks = select(func.min(b.first_m), func.max(b.first_m + b.rows)).where(b.line == line)
    drums = select(func.min(d.start_m), func.max(d.end_m)).where(d.line == line)
    engine = open_for_reading(configuration.works.store)
    try:
        with engine.connect() as connection:
            ends = [row for wanted in (blocks, drums) for row in connection.execute(wanted) if None not in row]
    finally:
        engine.dispose()
    metres = max((row[1] for row in ends), default=0) - min((row[0] for row in ends), default=0)
    described = configuration.lines[line]
    columns = 3 * len(described.stream) + len(described.zone) + len(COLUMNS) + len(COOLING)
    return int(metres * columns * VALUE_BYTES * COPIES)


@dataclass(slots=True, kw_only=True)
class _Making:
    """An engine on its way through the messages of a line, and the store that its record goes to."""

    engine: Engine  # of the store that is made again
    writer: Writer
    configuration: Configuration  # with the line as it is described at this place of the record
    line: str
    pipeline: Pipeline
    taken: list[Taken]  # still to come
    snapshot: StateOnRecord
    messages: int = 0
    first_ms: int | None = None

    @classmethod
    def of(cls, engine: Engine, writer: Writer, configuration: Configuration, line: str) -> "_Making":
        """The line as it was when its first message came."""
        with engine.connect() as connection:
            described = [k.content for k in lines_on_record(connection, line) if isinstance(k.content, Line)]
            kept, came = contents(recipes_on_record(connection)), recipes_that_came(connection, line)
            taken, snapshot = taken_from_files(connection, line), StateOnRecord.of(connection, line)
        if described:
            configuration = _with(configuration, described[0], ())
        read = [(k.t_ms, k.content) for k in came if isinstance(k.content, Recipe)]
        first = recipes_in_force(configuration.recipes_for(line), kept.values(), read, at_ms=-1)
        pipeline = Pipeline(configuration.lines[line], first)
        writer.keep_revisions(first.values(), 0.0)
        begun = Restored(line=line, message_id=0, now=pipeline.now(), state=None, described=configuration.lines[line])
        writer.write_restored(begun)
        return cls(
            engine=engine, writer=writer, configuration=configuration, line=line, pipeline=pipeline, taken=taken,
            snapshot=snapshot,
        )  # fmt: skip

    def run(self) -> None:
        """Feed all messages, and take what the files brought at its place."""
        after_id = -1
        while after_id < END_ID:
            upto_id = self._next_id()
            history = History(self.configuration, self.line, after_id, upto_id)
            for came in history.came(0, END_MS):
                self._take(came)
            due = [one for one in self.taken if one.message_id == upto_id]
            self.taken = [one for one in self.taken if one.message_id != upto_id]
            for one in due:
                self._start(one)
            after_id = upto_id
        self.snapshot.end(self.pipeline)

    def _next_id(self) -> int:
        """The message after which the next start took another description of the line, or END_ID."""
        return next((one.message_id for one in self.taken if one.message_id is not None), END_ID)

    def _take(self, came: Sequence[Came]) -> None:
        """Messages in order; the engine's state is looked at where the stored snapshot knows it."""
        if not came:
            return
        self._begin(came)
        self.messages += len(came)
        numbers = self.writer.ledger.open_delta()
        for message in (m for _, m in came if isinstance(m, Message) and m.stream.station != MONITOR):
            numbers.add(message.stream, message.start, message.n, ms(message.t_s))
        outputs: list[Output] = []
        for part in self.snapshot.parts(came, self.pipeline):
            outputs += self._fed(part)
        self.writer.write(Batch(outputs=outputs, numbers=numbers))

    def _begin(self, came: Sequence[Came]) -> None:
        """The oldest stamp; fillings of which the messages are gone give their numbers."""
        stamps = [m.t_s for _, m in came if isinstance(m, Message)]
        if not stamps:
            return
        if self.first_ms is None:
            self.first_ms = ms(min(stamps))
            with self.engine.connect() as connection:
                self.pipeline.drums.fillings = last_known.fillings(connection, self.line, self.first_ms)
        self.first_ms = min(self.first_ms, ms(min(stamps)))

    def _fed(self, messages: Sequence[Message | Tick | Note]) -> list[Output]:
        """Feed messages, and take each recipe of which only the time is known when the record has come to it."""
        out: list[Output] = []
        at = 0
        while self.taken and self.taken[0].message_id is None:
            at_ms = self.taken[0].t_ms
            due = next((i for i in range(at, len(messages)) if _end_ms(messages[i]) >= at_ms), len(messages))
            out += self.pipeline.feed(messages[at:due])
            at = due
            while at < len(messages) and not _has_come_to(self.pipeline, at_ms):
                out += self.pipeline.feed([messages[at]])
                at += 1
            if not _has_come_to(self.pipeline, at_ms):
                return out
            out += self._take_recipes(self.taken.pop(0).recipes)
        return out + self.pipeline.feed(messages[at:])

    def _take_recipes(self, recipes: Sequence[Recipe]) -> list[Output]:
        before = dict(self.pipeline.recipes)
        files = before | {recipe.recipe: recipe for recipe in recipes}
        return self.pipeline.take_recipes(files, before, FILES)

    def _start(self, taken: Taken) -> None:
        """What a start of the monitor did where its files had changed."""
        assert taken.message_id is not None
        if taken.line is None:
            self.writer.write(Batch(outputs=self._take_recipes(taken.recipes)))
        else:
            self.writer.write(Batch(now={self.line: self.pipeline.now()}))
            known = tuple(self.pipeline.recipes.values())
            self.configuration = _with(self.configuration, taken.line, (*known, *taken.recipes))
            fillings = self.pipeline.drums.fillings
            self.pipeline = restore(self.writer, self.configuration, self.line, _nothing, taken.message_id)
            if fillings.newest > self.pipeline.drums.fillings.newest:  # those of which the messages are gone
                self.pipeline.drums.fillings = fillings
        self.writer.keep_revisions(taken.recipes, taken.t_ms / 1e3)


def _with(configuration: Configuration, line: Line, recipes: Sequence[Recipe]) -> Configuration:
    """Configuration with a line, and recipes, as their files described them once."""
    lines = {**configuration.lines, line.line: line}
    return configuration.model_copy(
        update={"lines": lines, "recipes": {**configuration.recipes, **{r.recipe: r for r in recipes}}}
    )


def _nothing(_: str) -> None:
    """No log: what it would hold is on record."""


def _end_ms(message: Message | Tick | Note) -> float:
    return message.end_s * 1e3 + 1.0 if isinstance(message, Message) else -np.inf


def _has_come_to(pipeline: Pipeline, at_ms: int) -> bool:
    return pipeline.track.end_s > -np.inf and ms(pipeline.track.end_s) >= at_ms
