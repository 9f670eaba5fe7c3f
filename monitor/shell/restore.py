"""Restores an engine: from its snapshot, or else from the record's tables and the messages.

What was given out is never given out again: while messages that are on record are fed once more, only rows of metres
that the record does not have yet are kept. A change of a recipe's or the line's file takes effect afterwards, from the
metre at the take-up on.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from sqlalchemy import Connection

from monitor.analysis.in_force import recipes_in_force
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.content import differences_of, digest_of
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.messages import DrumChange, LimitsStep
from monitor.contract.record import Finding, FindingKind, MetreRows, Output, Revision
from monitor.contract.topics import Stream
from monitor.core.arrival import Message, Note, Tick
from monitor.core.decode import Decoder
from monitor.core.fillings import Fillings
from monitor.core.manual_entries import People
from monitor.core.pipeline import Pipeline
from monitor.core.resume import EXACT_M, LastKnown, resume
from monitor.core.snapshot import Given, SnapshotError, dump, load
from monitor.core.track import PAST_S, START_BEFORE_S, Track, TrackStart
from monitor.shell.counted_track import counted, counter_and_speed, first_counter_s, past_before
from monitor.shell.defects import engine_step
from monitor.store import audit_trail, last_known
from monitor.store.message_history import END_ID, History, again
from monitor.store.reader import StoreReader
from monitor.store.revisions import (
    FILES,
    contents,
    given_recipes,
    lines_on_record,
    recipes_on_record,
    recipes_that_came,
)
from monitor.store.writer import Restored, Writer, ms

BEFORE_S = START_BEFORE_S
BEFORE_START_S = 60.0  # what was reported before the track starts may take effect after it
LOOK_BACK_S = (1800.0, 4 * 3600.0, 48 * 3600.0)  # how far the counter is read back to find that cable
FOR_EVER_MS = 2**53

Arrivals = Sequence[Message | Tick | Note]
Log = Callable[[str], None]


def restore(writer: Writer, configuration: Configuration, line: str, log: Log, upto_id: int | None = None) -> Pipeline:
    """The engine of a line as it was at the last commit, with newer revisions of its files taken into force.

    Leaves a checkpoint, so that the next start does not begin where this one did. With `upto_id` the writer's store
    holds the record that the messages up to that one make, and the messages are those of the configuration's store.
    """
    record = OnRecord.of(writer, configuration, line)
    reader = StoreReader(configuration.works.store, configuration, upto_id)
    start = _Start(writer=writer, configuration=configuration, record=record, reader=reader, log=log, upto_id=upto_id)
    try:
        pipeline = start.from_snapshot() if record.line_is_as_described else None
        if pipeline is None:
            pipeline = start.rebuilt()
        start.take_files(pipeline)
    finally:
        reader.close()
    return pipeline


@dataclass(frozen=True, slots=True, kw_only=True)
class OnRecord:
    """What the record has of one line. `described` is the line by its newest revision, `file` by its file.

    `recipes` by name and revision are all that are known, `in_force` those that the line was judged by; `fillings`
    are the newest, with whose numbers the line goes on.
    """

    file: Line
    described: Line
    first_revision: bool
    recipes: dict[tuple[str, int], Recipe]
    in_force: dict[str, Recipe]
    newest_came_s: float
    fillings: Fillings

    @classmethod
    def of(cls, writer: Writer, configuration: Configuration, line: str) -> "OnRecord":
        files = configuration.recipes_for(line)
        with writer.engine.connect() as connection:
            kept, came = recipes_on_record(connection), recipes_that_came(connection, line)
            lines = lines_on_record(connection, line)
            fillings = last_known.fillings(connection, line)
        newest = lines[-1].content if lines else None
        recipes = given_recipes(files, kept, came)
        return cls(
            file=configuration.lines[line],
            described=newest if isinstance(newest, Line) else configuration.lines[line],
            first_revision=not lines,
            recipes=recipes,
            in_force=recipes_in_force(
                _without_file(recipes, fillings, files) | files,
                contents(kept).values(),
                [(k.t_ms, k.content) for k in came if isinstance(k.content, Recipe)],
            ),
            newest_came_s=max((k.t_ms / 1e3 for k in came), default=-np.inf),
            fillings=fillings,
        )

    @property
    def line_is_as_described(self) -> bool:
        """Whether the file describes the line as the record has it."""
        return digest_of(self.file) == digest_of(self.described)


def _without_file(
    known: Mapping[tuple[str, int], Recipe], fillings: Fillings, files: Mapping[str, Recipe]
) -> dict[str, Recipe]:
    """Recipes of drums on record that have no file any more: they stay for those drums, by their newest revision."""
    wanted = {span.recipe for span in fillings.kept} - set(files)
    return {name: recipe for (name, _), recipe in sorted(known.items()) if name in wanted}


@dataclass(slots=True, kw_only=True)
class _Start:
    """The restore of one line. `kept` are its outputs that are not on record yet."""

    writer: Writer
    configuration: Configuration
    record: OnRecord
    reader: StoreReader
    log: Log
    upto_id: int | None = None
    last_id: int = 0
    kept: list[Output] = field(default_factory=list)

    @property
    def line(self) -> str:
        return self.record.file.line

    def known(self, connection: Connection) -> LastKnown | None:
        return last_known.read(connection, self.record.described, self.record.file)

    def _history(self, *streams: Stream) -> History:
        upto_id = END_ID if self.upto_id is None else self.upto_id
        return History(
            configuration=self.configuration, line=self.line, upto_id=upto_id, streams=streams,
            engine=self.reader.engine,
        )  # fmt: skip

    # ---- from a snapshot ---------------------------------------------------------------------------------

    def from_snapshot(self) -> Pipeline | None:
        """The engine of the checkpoint, fed what was stored after it; None where there is none that can be used."""
        self.last_id, state = self.writer.checkpoints().get(self.line, (0, b""))
        if not state:
            return None
        try:
            pipeline = load(
                state, Given(line=self.record.described, recipes=self.record.recipes, fillings=self.record.fillings)
            )
        except SnapshotError as error:
            self.log(f"{self.line}: the last snapshot cannot be used: {error}. Going on from the record and messages.")
            return None
        if not pipeline.track.past[0] and (reading := pipeline.track.newest_reading) is not None:
            self._fill_past(pipeline, *reading)  # of a version that kept none
        with self.writer.engine.connect() as connection:
            known = self.known(connection)
        works, count = self.configuration.works, 0
        decoder = Decoder(works.works, {self.line: self.record.file}, works.wire)
        knew_events = bool(pipeline.event_book.events)  # a snapshot of an older program has none
        while rows := self.writer.messages_after(self.line, self.last_id):
            reported = (again(decoder, stream, received_ms, payload) for _, stream, received_ms, payload in rows)
            self._feed(pipeline, [m for m in reported if m is not None], known)
            self.last_id, count = rows[-1][0], count + len(rows)
            self.checkpoint(pipeline)
        if known is not None and known.next_row is not None and pipeline.rows.next_m is not None:
            pipeline.rows.next_m = max(pipeline.rows.next_m, known.next_row)
        if known is not None and not knew_events:
            pipeline.event_book.go_on(known.events)
        self.log(f"{self.line}: goes on at line metre {pipeline.track.now_m:.1f}, {count} messages after the snapshot")
        return pipeline

    def _feed(self, pipeline: Pipeline, messages: Arrivals, known: LastKnown | None) -> None:
        """Feed messages that are on record: all that comes of them is too, but for rows that were not ripe."""
        first = known.next_row if known is not None and known.next_row is not None else -np.inf
        with engine_step():
            outputs = pipeline.feed(messages)
        for output in outputs:
            if isinstance(output, MetreRows) and output.first_m + len(output) > first:
                self.kept.append(_from(output, first))

    # ---- from the record -----------------------------------------------------------------------------------

    def rebuilt(self) -> Pipeline:
        """An engine out of the record's tables, warmed up by the messages of the cable that is in the line."""
        pipeline = self._fresh()
        with self.writer.engine.connect() as connection:
            known = self.known(connection)
            if known is not None:
                known = replace(known, findings=[self._as_far(f, known.t_s) for f in known.findings])
                pipeline.revisions.proposals = last_known.proposals(connection, self.line)
        begin, count = _Begin(0.0) if known is None else self._begin(known), 0
        if begin.start is not None:
            self._fill_past(pipeline, begin.start.t_s, begin.start.L_m)
            pipeline.track.start_at(begin.start)
        self._assume(pipeline, begin.t_s)
        for messages in self._messages(begin.t_s, known, pipeline.people):
            if pipeline.track.start_m is None:
                self._begin_track(pipeline, begin, messages)
            self._feed(pipeline, messages, known)
            count += len(messages)
        if known is not None:
            with engine_step():
                resume(pipeline, known)
                pipeline.drums.fillings = self.record.fillings
                self.kept += pipeline.feed([])
        self.last_id = self.writer.last_id if self.upto_id is None else self.upto_id
        if count or known is not None:
            self.log(
                f"{self.line}: rebuilt from the record at line metre {pipeline.track.now_m:.1f}, {count} messages of "
                f"the cable in the line; rows go on at metre {pipeline.rows.next_m}"
            )
        return pipeline

    def _begin_track(self, pipeline: Pipeline, begin: "_Begin", messages: Arrivals) -> None:
        """Where the track begins that has no start on record: at its first reading, or where the counter says."""
        t_s = first_counter_s(messages, self.record.file)
        pipeline.track.start_m = begin.metre_at(t_s)
        if t_s is not None and pipeline.track.start_m is not None:
            self._fill_past(pipeline, t_s, pipeline.track.start_m)

    def _fill_past(self, pipeline: Pipeline, t_s: float, L_m: float) -> None:
        """Give a track that begins at a reading, at `L_m`, the thin past of one that was there before."""
        pipeline.track.remember(*past_before(self._counter_history(), self.record.file, t_s, L_m))

    def _counter_history(self) -> History:
        return self._history(*counter_and_speed(self.record.file))

    def _as_far(self, finding: Finding, upto_s: float) -> Finding:
        """A finding, of an open stretch beyond a limit with the extreme that it has come to by then.

        The record has the one with which it began; the stretch may be longer than the messages that are fed.
        """
        if finding.end_m is not None or finding.extreme is None or finding.limit is None:
            return finding
        if finding.kind is FindingKind.WINDOW:
            stream = Stream(self.line, *finding.stream.split("/"))
            v = self.reader.samples(stream, ms(finding.start_s), ms(upto_s)).v
        elif finding.kind in (FindingKind.CURE, FindingKind.DWELL):
            zone = finding.stream.removesuffix("/dwell")
            column = finding.stream if finding.kind is FindingKind.CURE else f"dwell/{zone}"
            v = self.reader.rows(self.line, finding.start_m, np.inf, [column]).get(column, np.empty(0))
        else:
            return finding
        come_to = (np.fmax if finding.extreme > finding.limit else np.fmin).reduce(v, initial=finding.extreme)
        return replace(finding, extreme=float(come_to))

    def _fresh(self) -> Pipeline:
        """An engine without any messages. On a line that has changed, files that are newer are taken at once."""
        record, files = self.record, self.configuration.recipes_for(self.line)
        recipes = dict(record.in_force)
        if not record.line_is_as_described:
            recipes |= {n: r for n, r in files.items() if r.revision > recipes[n].revision}
        return Pipeline(line=record.file, recipes=recipes, earlier=record.recipes)

    def _assume(self, pipeline: Pipeline, begin_s: float) -> None:
        """What was so when the messages begin that are fed: the drum, and what the machine reported of the line."""
        begin_ms = ms(begin_s)
        with self.writer.engine.connect() as connection:
            drum = last_known.drum_at(connection, self.line, begin_ms)
            recipe = last_known.recipe_at(connection, self.line, begin_ms)
            pipeline.states.begin(last_known.states(connection, self.line, begin_ms - ms(PAST_S), begin_ms))
        if drum is not None:
            pipeline.assume(
                DrumChange(n=0, t=begin_ms, drum=drum.drum, recipe=drum.recipe, planned_length_m=drum.planned_length_m),
                begin_s,
            )
        elif recipe is not None:
            pipeline.assume(DrumChange(n=0, t=begin_ms, drum=None, recipe=recipe), begin_s)
        reported = last_known.newest_state(self.reader.engine, self.reader.folder, self.line, begin_ms)
        if reported is not None:
            pipeline.states.report(min(reported.t / 1e3, begin_s), reported.state, reported.reason)

    def _messages(self, begin_s: float, known: LastKnown | None, people: People) -> Iterator[Arrivals]:
        """Messages since a time; of changes of limits that are on record only the time passes."""
        upto_s = -np.inf if known is None else max(known.t_s, self.record.newest_came_s)
        for messages in self._history().read(ms(begin_s), FOR_EVER_MS):
            for m in messages:
                if isinstance(m, Message) and _is_on_record(m, upto_s):
                    people.is_new(m)  # not from now on
            yield messages

    def _begin(self, known: LastKnown) -> "_Begin":
        """Rows from `next_row` on need every message since that cable was at the head, or at what lies before it."""
        line = self.record.file
        lowest_m = min(0.0, *(s.position_m for s in line.station))
        oldest_m = -np.inf if known.next_row is None else known.next_row - 2 - line.counter_m + lowest_m
        if known.track is not None and known.track.is_first:
            return _Begin(0.0)
        if known.track is not None and known.track.L_m <= oldest_m:
            return _Begin(known.track.t_s - BEFORE_START_S, known.track)
        history = self._counter_history()
        found = _Begin(known.t_s - BEFORE_S)
        for back_s in LOOK_BACK_S:
            track = counted(history, line, known.t_s, back_s)
            if not len(track.t_s):
                continue
            off_m = known.line_metre - float(track.at(known.t_s))
            found = _Begin(float(track.t_s[0]) - BEFORE_S, track=track, off_m=off_m)
            if track.L_m[0] <= oldest_m - off_m:
                return replace(found, t_s=float(track.when(np.array([oldest_m - off_m]))[0]) - BEFORE_S)
        return found if abs(found.off_m) > EXACT_M else replace(found, track=None)

    # ---- what has changed ------------------------------------------------------------------------------------

    def take_files(self, pipeline: Pipeline) -> None:
        """Newer revisions of files are in force from here on; reported, and kept with the engine's checkpoint."""
        record, files = self.record, self.configuration.recipes_for(self.line)
        before = dict(record.in_force)
        self.kept += pipeline.take_recipes(files, before, FILES)
        for revision in (o for o in self.kept if isinstance(o, Revision)):
            self.log(
                f"{self.line}: recipe {revision.recipe} revision {revision.revision} is in force from metre "
                f"{revision.line_metre:.1f} on"
            )
        entries = []
        if not record.line_is_as_described:
            entries.append(self._line_entry(pipeline))
        self.checkpoint(pipeline, entries, described=True)

    def _line_entry(self, pipeline: Pipeline) -> audit_trail.JournalEntry:
        old, new = self.record.described, self.record.file
        keys = ", ".join(differences_of(old, new))
        self.log(f"{self.line}: line revision {new.revision} is in force from metre {pipeline.rows.next_m} on: {keys}")
        return audit_trail.JournalEntry(
            line=self.line,
            t_ms=ms(pipeline.now().t_s),
            who=FILES,
            action="take into force",
            target=f"line {self.line} revision {new.revision}",
            reason=f"from metre {pipeline.rows.next_m}",
            before=digest_of(old),
            after=digest_of(new),
        )

    def checkpoint(
        self, pipeline: Pipeline, entries: Sequence[audit_trail.JournalEntry] = (), described: bool = False
    ) -> None:
        """Keep the engine as it is, and what came out that is not on record."""
        changed = described and (self.record.first_revision or not self.record.line_is_as_described)
        with engine_step():
            now, state = pipeline.now(), dump(pipeline) if pipeline.silence.heard_s is not None else None
        self.writer.write_restored(
            Restored(
                line=self.line, message_id=self.last_id, now=now, outputs=self.kept, state=state, entries=entries,
                described=self.record.file if changed else None,
                since_m=None if self.record.first_revision else pipeline.rows.next_m,
            )
        )  # fmt: skip
        self.kept = []


@dataclass(frozen=True, slots=True)
class _Begin:
    """Since when messages are fed, and where the track starts.

    Without a start: the counter's own track there, which is `off_m` behind the line metre. Without a track too, the
    line metre is what the counter says: as it was at the beginning of the record.
    """

    t_s: float
    start: TrackStart | None = None
    track: Track | None = None
    off_m: float = 0.0

    def metre_at(self, t_s: float | None) -> float | None:
        """Line metre at a time, None where it is what the counter says."""
        return None if t_s is None or self.track is None else float(self.track.at(t_s)) + self.off_m


def _from(rows: MetreRows, first: float) -> MetreRows:
    """Rows of metres from `first` on."""
    skip = max(0, int(first) - rows.first_m) if first > -np.inf else 0
    columns = {name: column[skip:] for name, column in rows.columns.items()}
    return MetreRows(rows.line, rows.first_m + skip, rows.verdict[skip:], columns)


def _is_on_record(message: Message, upto_s: float) -> bool:
    """Whether a message is a change of limits that was in effect by then: what came of it is on record."""
    return isinstance(message.body, LimitsStep) and message.t_s <= upto_s
