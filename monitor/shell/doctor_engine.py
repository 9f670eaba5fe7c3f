"""An engine on its way through the stored messages of a line once more.

What the configuration files brought while the line was watched is taken where the monitor took it: after the same
message, in the same way. A line whose description changed goes on through `restore`, as its monitor did.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from sqlalchemy import Engine

from monitor.analysis.in_force import recipes_in_force
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.record import Output
from monitor.contract.topics import MONITOR
from monitor.core.arrival import Message, Note, Tick
from monitor.core.pipeline import Pipeline
from monitor.shell.compare_state import StateOnRecord
from monitor.shell.damage import Lost
from monitor.shell.restart_point import RestartPoint, assume, restart_from, restart_point
from monitor.shell.restore import restore
from monitor.store import last_known
from monitor.store.message_history import END_ID, Came, History
from monitor.store.revisions import (
    FILES,
    RevisionsTaken,
    contents,
    lines_on_record,
    recipes_on_record,
    recipes_that_came,
    taken_from_files,
)
from monitor.store.writer import Batch, Restored, Writer, ms

END_MS = 2**53


@dataclass(slots=True, kw_only=True)
class EngineRebuild:
    """An engine, the messages between two losses that it is fed, and the store that its record goes to.

    Behind a loss it keeps what it makes from a filling on that it can hold on to (`held`): entries since `since_ms`
    (UTC), rows since metre `since_m`.
    """

    engine: Engine  # of the store that is made again
    writer: Writer
    configuration: Configuration  # with the line as it is described at this place of the record
    line: str
    pipeline: Pipeline
    taken: list[RevisionsTaken]  # still to come
    snapshot: StateOnRecord
    after: Lost | None = None
    before: Lost | None = None
    held: RestartPoint | None = None
    messages: int = 0
    first_ms: int | None = None
    since_ms: int | None = None
    since_m: int = 0
    is_cut: bool = False

    @classmethod
    def begun(
        cls, engine: Engine, writer: Writer, configuration: Configuration, line: str, after: Lost | None,
        before: Lost | None,
    ) -> "EngineRebuild | None":  # fmt: skip
        """The line as it was when the first of these messages came; None where nothing can be made of them."""
        with engine.connect() as connection:
            lines = lines_on_record(connection, line)
            kept, came = recipes_on_record(connection), recipes_that_came(connection, line)
            taken, snapshot = taken_from_files(connection, line), StateOnRecord.of(connection, line)
        described = [k.content for k in lines if isinstance(k.content, Line)]
        at_ms, held = -1, None
        if described:
            configuration = _with(configuration, described[0], ())
        if after is not None:
            held = restart_point(configuration, engine, line, after, before, taken)
            if held is None:
                return None
            at_ms, after = held.begin_ms, held.after
            configuration = _with(configuration, held.described, ())
            taken = [one for one in taken if one.t_ms > at_ms]
        read = [(k.t_ms, k.content) for k in came if isinstance(k.content, Recipe)]
        files = configuration.recipes_for(line) | _without_file(configuration, line, contents(kept).values())
        first = recipes_in_force(files, contents(kept).values(), read, at_ms=at_ms)
        pipeline = Pipeline(line=configuration.lines[line], recipes=first)
        writer.keep_revisions(first.values(), 0.0)
        begun = Restored(line=line, message_id=0, now=pipeline.now(), state=None, described=configuration.lines[line])
        writer.write_restored(begun)
        making = cls(
            engine=engine, writer=writer, configuration=configuration, line=line, pipeline=pipeline, taken=taken,
            snapshot=StateOnRecord.nothing(line) if before else snapshot, after=after, before=before,
        )  # fmt: skip
        by_then = contents([one for one in (*kept, *came) if one.t_ms <= at_ms])
        return making if held is None else making.behind(held, first, by_then)

    def behind(
        self, held: RestartPoint, first: Mapping[str, Recipe], known: Mapping[tuple[str, int], Recipe]
    ) -> "EngineRebuild | None":
        """Going on from a filling; None where no engine comes to it. A first engine finds the line metre."""
        trial, second = (Pipeline(line=self.pipeline.line, recipes=dict(first), earlier=known) for _ in range(2))
        folder = Path(self.configuration.works.store.folder)
        for pipeline in (trial, second):
            assume(pipeline, self.engine, folder, held)
        probe = replace(self, pipeline=trial, taken=list(self.taken), held=held)
        for came in probe._came(held.after.last_id, END_ID):
            if probe._approach(held, came) is not None:
                self.snapshot.is_from_beginning = False
                return replace(self, pipeline=second, held=held.corrected(trial))
        return None

    @property
    def is_holding(self) -> bool:
        """Whether what is made now is kept."""
        return self.held is None or self.since_ms is not None

    def run(self) -> None:
        """Feed all messages, and take what the files brought at its place."""
        after_id = -1 if self.after is None else self.after.last_id
        while after_id < END_ID and not self.is_cut:
            after_id = self._run_from(after_id)
        if not self.is_cut and self.is_holding:
            self.snapshot.end(self.pipeline)

    def _run_from(self, after_id: int) -> int:
        """Feed messages up to that after which files were taken, and take them; returns its id."""
        upto_id = self._next_id()
        for came in self._came(after_id, upto_id):
            at_id = self._take_by_time(came)
            if at_id is not None:
                self._start(replace(self.taken.pop(0), message_id=at_id))
                return at_id
        if not self.is_cut:
            due = [one for one in self.taken if one.message_id == upto_id]
            self.taken = [one for one in self.taken if one.message_id != upto_id]
            for one in due:
                self._start(one)
        return upto_id

    def _take_by_time(self, came: Sequence[Came]) -> int | None:
        """Take messages; where the next description of the line is known by its time only, as from programs before
        version 9 of the tables, as far as the one with which the record had come to it, and return its id."""
        one = self.taken[0] if self.taken else None
        if one is None or one.message_id is not None or one.line is None or not self.is_holding:
            self._take(came)
            return None
        near = next((i for i, (_, m) in enumerate(came) if _end_ms(m) >= one.t_ms), len(came))
        self._take(came[:near])
        for i in range(near, len(came)):
            self._take([came[i]])
            if _has_come_to(self.pipeline, one.t_ms):
                return came[i][0]
        return None

    def _came(self, after_id: int, upto_id: int) -> Iterator[Sequence[Came]]:
        """Messages behind one loss and before the next."""
        start_ms = 0 if self.after is None else max(self.after.end_ms, 0)
        for part in History(configuration=self.configuration, line=self.line, after_id=after_id, upto_id=upto_id).came(
            start_ms, END_MS
        ):
            came = part
            if self.after is not None:
                came = [one for one in came if self.after.precedes(one[0], _stamp_ms(one))]
            if self.before is not None:
                until = next((i for i, one in enumerate(came) if not self.before.follows(one[0], _stamp_ms(one))), None)
                if until is not None:
                    self.is_cut = True
                    yield came[:until]
                    return
            yield came

    def _next_id(self) -> int:
        """The message after which the next start took another description of the line, or END_ID."""
        return next((one.message_id for one in self.taken if one.message_id is not None), END_ID)

    def _take(self, came: Sequence[Came]) -> None:
        """Messages in order; the engine's state is looked at where the stored snapshot knows it."""
        if not came:
            return
        if self.held is not None and self.since_ms is None:
            reached = self._approach(self.held, came)
            if reached is None:
                return
            self._hold(self.held)
            came = came[reached:]
        self._begin(came)
        self.messages += len(came)
        numbers = self.writer.ledger.open_delta()
        for message in (m for _, m in came if isinstance(m, Message) and m.stream.station != MONITOR):
            numbers.add(message.stream, message.start, message.n, ms(message.t_s))
        outputs: list[Output] = []
        for part in self.snapshot.parts(came, self.pipeline):
            outputs += self._fed(part)
        self.writer.write(Batch(outputs=outputs, numbers=numbers))

    def _approach(self, held: RestartPoint, came: Sequence[Came]) -> int | None:
        """Feed what came before a filling; returns the place of the first message that is not fed then."""
        held.place(self.pipeline, came)
        start_ms = held.drum.start_s * 1e3
        near = next((i for i, (_, m) in enumerate(came) if _end_ms(m) >= start_ms), len(came))
        self._fed([message for _, message in came[:near]])
        for i in range(near, len(came)):
            self._fed([came[i][1]])
            if held.is_reached(self.pipeline):
                return i + 1
        return None

    def _hold(self, held: RestartPoint) -> None:
        restart_from(self.pipeline, self.engine, self.writer, held)
        self.since_ms = ms(self.pipeline.track.end_s) + 1
        self.since_m = max(int(np.ceil(held.drum.start_m)), self.pipeline.rows.next_m or 0)

    def _begin(self, came: Sequence[Came]) -> None:
        """The oldest stamp; fillings of which the messages are gone give their numbers."""
        stamps = [m.t_s for _, m in came if isinstance(m, Message)]
        if not stamps:
            return
        if self.first_ms is None and self.held is None:
            self.first_ms = ms(min(stamps))
            with self.engine.connect() as connection:
                self.pipeline.drums.fillings = last_known.fillings(connection, self.line, self.first_ms)
        self.first_ms = ms(min(stamps)) if self.first_ms is None else min(self.first_ms, ms(min(stamps)))

    def _fed(self, messages: Sequence[Message | Tick | Note]) -> list[Output]:
        """Feed messages, and take each recipe of which only the time is known when the record has come to it."""
        out: list[Output] = []
        at = 0
        while self.taken and self.taken[0].message_id is None and self.taken[0].line is None:
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

    def _start(self, taken: RevisionsTaken) -> None:
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


def _without_file(configuration: Configuration, line: str, kept: Iterable[Recipe]) -> dict[str, Recipe]:
    """Recipes of a line that are on record, and whose file the configuration has no more."""
    kind = configuration.lines[line].kind
    return {r.recipe: r for r in kept if r.line_kind == kind and r.recipe not in configuration.recipes}


def _with(configuration: Configuration, line: Line, recipes: Sequence[Recipe]) -> Configuration:
    """Configuration with a line, and recipes, as their files described them once."""
    lines = {**configuration.lines, line.line: line}
    return configuration.model_copy(
        update={"lines": lines, "recipes": {**configuration.recipes, **{r.recipe: r for r in recipes}}}
    )


def _nothing(_: str) -> None:
    """No log: what it would hold is on record."""


def _stamp_ms(came: Came) -> float:
    message = came[1]
    return (message.t_s if isinstance(message, Message) else message.now_s) * 1e3


def _end_ms(message: Message | Tick | Note) -> float:
    return message.end_s * 1e3 + 1.0 if isinstance(message, Message) else -np.inf


def _has_come_to(pipeline: Pipeline, at_ms: int) -> bool:
    return pipeline.track.end_s > -np.inf and ms(pipeline.track.end_s) >= at_ms
