"""Read-only answers from the store: the database and the Parquet files beside it look like one record."""

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray
from sqlalchemy import CTE, ColumnElement, Connection, and_, case, func, or_, select
from sqlalchemy.exc import OperationalError, ProgrammingError

from monitor.analysis.lengths import metres_by_verdict
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Derived, Line, StreamSettings
from monitor.contract.config.recipe import Recipe, Tape
from monitor.contract.config.works import Store
from monitor.contract.messages import Health
from monitor.contract.reading import (
    AlarmRow,
    DamagedFile,
    DrumRow,
    DrumSearch,
    HealthRow,
    NowRow,
    ProposalRow,
    RejectedRow,
    RevisionRow,
    Trend,
)
from monitor.contract.record import (
    AlarmState,
    FillingKey,
    Finding,
    FindingKind,
    Floats,
    Ints,
    LineEvent,
    Splice,
    Verdict,
)
from monitor.contract.topics import Stream
from monitor.contract.units import convert
from monitor.core.derived_streams import OVER_S, by_speed_m_per_min, derived
from monitor.core.stream import tape_of
from monitor.store import drum_search, parquet_files, samples
from monitor.store.database import open_for_reading
from monitor.store.events import event_of
from monitor.store.findings import finding_of, findings_on_metres, read_findings
from monitor.store.metre_blocks import Verdicts, cut_to, join_in_place, lay_over, read_blocks, read_verdicts
from monitor.store.revisions import contents, recipes_on_record
from monitor.store.rolling import HOUR_MS, hour_files
from monitor.store.schema import (
    ALARM_CHANGE,
    ALARM_NOW,
    DAMAGED,
    DRUM,
    EVENT,
    FINDING,
    GAP,
    HEALTH,
    IN_FORCE,
    JOURNAL,
    LINE_NOW,
    MANIFEST,
    MESSAGE,
    OPEN_EVENT,
    PROPOSAL,
    REJECTED,
    SPLICE,
    STATE_SPAN,
)

T = TypeVar("T")
URGENCY = {"high": 0, "medium": 1, "low": 2}

# Drums, each with what the manifest has of the file of its rows.
_OF_ROWS = DRUM.c.rows_file == MANIFEST.c.path
_OF_FILES = tuple(MANIFEST.c[name] for name in ("damage", "size_bytes", "sha256", "next_sha256"))
DRUMS = select(DRUM, *_OF_FILES).join_from(DRUM, MANIFEST, _OF_ROWS, isouter=True)


class StoreReader:
    """Implements `monitor.contract.reading.Record`. Answers are empty where the monitor has written nothing yet."""

    def __init__(self, settings: Store, configuration: Configuration | None = None, upto_id: int | None = None) -> None:
        """`configuration` names the streams that are derived, which are worked out from what is stored.

        With `upto_id` samples are those that had come with that message.
        """
        self.configuration = configuration
        self.upto_id = upto_id
        self.folder = Path(settings.folder)
        self.engine = open_for_reading(settings)

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def _ask(self, question: Callable[[Connection], T], nothing: T) -> T:
        try:
            with self.engine.connect() as connection:
                return question(connection)
        except (OperationalError, ProgrammingError) as error:
            if _not_there_yet(error):
                return nothing
            raise

    def _all(self, wanted: Any) -> Sequence[Any]:
        """Rows of a statement; none where the tables are not there yet."""

        def question(c: Connection) -> Sequence[Any]:
            return c.execute(wanted).all()

        return self._ask(question, ())

    def lines_now(self) -> Sequence[NowRow]:
        """One row per line that has sent data, by name."""
        rows = self._all(select(LINE_NOW).order_by(LINE_NOW.c.line))
        return [NowRow(line=r.line, t_ms=r.t_ms, **msgspec.json.decode(r.now)) for r in rows]

    def health(self) -> Sequence[HealthRow]:
        """A row a monitor process, by name."""
        rows = self._all(select(HEALTH).order_by(HEALTH.c.monitor))
        statuses = [(r.monitor, msgspec.json.decode(r.said, type=Health)) for r in rows]
        return [
            HealthRow(
                monitor=name,
                t_ms=h.t,
                messages=h.messages,
                rejected=h.rejected,
                lag_s=h.lag_s,
                queue=h.queue,
                last_commit_ms=h.last_commit,
                disk_free_bytes=h.disk_free_bytes,
                problems=h.problems,
                suspended=h.suspended,
                notes=h.notes,
                lines=h.lines or name.split(", "),  # monitors of earlier versions give their name alone
            )
            for name, h in statuses
        ]

    def damaged_files(self) -> Sequence[DamagedFile]:
        """Files of hours and drums that the monitor found not as they were written, by line and name."""
        m = MANIFEST.c
        wanted = select(m.line, m.path, m.damage).where(DAMAGED).order_by(m.line, m.path)
        return [DamagedFile(line=r.line, path=r.path, damage=r.damage) for r in self._all(wanted)]

    def alarms_now(self, line: str | None = None) -> Sequence[AlarmRow]:
        """Alarms whose state is not normal, most urgent first, then newest."""
        a = ALARM_NOW.c
        wanted = select(ALARM_NOW).where(a.after != AlarmState.NORMAL.value)
        wanted = wanted if line is None else wanted.where(a.line == line)
        urgency = case(URGENCY, value=a.priority, else_=3)
        rows = self._all(wanted.order_by(urgency, a.t_ms.desc()))
        return [_alarm(r) for r in rows]

    def alarm_changes(
        self, line: str | None, start_ms: int, end_ms: int, limit: int = 1000, offset: int = 0
    ) -> Sequence[AlarmRow]:
        """Changes in a span of time, newest first, `offset` of them left out."""
        a = ALARM_CHANGE.c
        wanted = select(ALARM_CHANGE).where(a.t_ms >= start_ms, a.t_ms <= end_ms)
        wanted = wanted if line is None else wanted.where(a.line == line)
        rows = self._all(wanted.order_by(a.t_ms.desc(), a.id.desc()).limit(limit).offset(offset))
        return [_alarm(r) for r in rows]

    def count_alarm_changes(self, line: str | None, start_ms: int, end_ms: int) -> int:
        """How many changes there are in a span of time."""
        a = ALARM_CHANGE.c
        wanted = select(func.count()).select_from(ALARM_CHANGE).where(a.t_ms >= start_ms, a.t_ms <= end_ms)
        rows = self._all(wanted if line is None else wanted.where(a.line == line))
        return int(rows[0][0]) if rows else 0

    def events_begun(self, line: str, start_m: float, end_m: float) -> Sequence[LineEvent]:
        """Events whose first metre lies in an interval, along it."""
        e = EVENT.c
        wanted = select(EVENT).where(e.line == line, e.start_m >= start_m, e.start_m < end_m)
        return [event_of(r) for r in self._all(wanted.order_by(e.start_m, e.event))]

    def events_open(self, line: str) -> Sequence[LineEvent]:
        """Events of a line that go on or wait for an answer, most urgent first, then newest."""
        e = EVENT.c
        wanted = select(EVENT).where(e.line == line, OPEN_EVENT)
        urgency = case(URGENCY, value=e.priority, else_=3)
        return [event_of(r) for r in self._all(wanted.order_by(urgency, e.start_ms.desc()))]

    def drums(self, line: str | None = None, limit: int = 50) -> Sequence[DrumRow]:
        """Newest first, the one being wound included."""
        d = DRUM.c
        wanted = DRUMS if line is None else DRUMS.where(d.line == line)
        return self._drums(self._all(wanted.order_by(d.start_ms.desc()).limit(limit)))

    def find_drums(self, search: DrumSearch) -> Sequence[DrumRow]:
        """Those that are searched for, newest first."""
        return self._drums(self._all(drum_search.narrowed(DRUMS, search)))

    def decisions(self, drums: Sequence[DrumRow]) -> Mapping[FillingKey, Finding]:
        """The newest signed decision of each of these drums that has one."""
        signed = [finding_of(row) for row in self._all(drum_search.decisions(drums))]
        return {
            drum.key: decision
            for decision in signed
            for drum in drums
            if drum.line == decision.line and drum.start_m <= decision.start_m < (drum.end_m or -np.inf)
        }

    def drum(self, line: str, filling: int) -> DrumRow | None:
        """One filling of a line, or None."""
        return self._first(DRUMS.where(DRUM.c.line == line, DRUM.c.filling == filling))

    def drum_named(self, line: str, drum: str) -> DrumRow | None:
        """The newest filling of a line with this name, or None."""
        wanted = DRUMS.where(DRUM.c.line == line, DRUM.c.drum == drum)
        return self._first(wanted.order_by(DRUM.c.start_ms.desc()).limit(1))

    def _first(self, wanted: Any) -> DrumRow | None:
        """One drum, its file compared with its digest: the monitor looks at each in turn, which takes a while."""
        rows = self._all(wanted)
        for row in rows:
            if row.rows_file and row.sha256 is not None and not row.damage:
                digests = (row.sha256, row.next_sha256)
                parquet_files.verify(self.folder / row.rows_file, digests, time.monotonic())
        found = self._drums(rows)
        return found[0] if found else None

    def drums_named(self, *names: str) -> Sequence[DrumRow]:
        """Fillings of these names on any line, newest first."""
        return self._drums(self._all(DRUMS.where(DRUM.c.drum.in_(names)).order_by(DRUM.c.start_ms.desc())))

    def recipes_of_drums(self, line: str, start_ms: int, end_ms: int) -> Sequence[tuple[str, int, float]]:
        """(recipe, start, end) of the drums that were wound in a span of time, UTC ms; no end yet is infinity."""
        d = DRUM.c
        first = select(func.max(d.start_ms)).where(d.line == line, d.start_ms <= start_ms).scalar_subquery()
        wanted = select(d.recipe, d.start_ms, d.end_ms).where(d.line == line, d.start_ms <= end_ms)
        rows = self._all(wanted.where(d.start_ms >= func.coalesce(first, start_ms)).order_by(d.start_ms))
        return [(r.recipe, r.start_ms, np.inf if r.end_ms is None else float(r.end_ms)) for r in rows]

    def drums_between(self, line: str, start_m: float, end_m: float) -> Sequence[DrumRow]:
        """Drums that hold any of an interval of line metre, along it."""
        d = DRUM.c
        wanted = DRUMS.where(_on_drums(line, start_m), or_(d.end_m.is_(None), d.end_m > start_m))
        wanted = wanted.where(d.start_m < end_m) if np.isfinite(end_m) else wanted
        return self._drums(self._all(wanted.order_by(d.start_m)))

    def splices(self, line: str, start_m: float, end_m: float) -> Sequence[Splice]:
        """What was put on at each pay-off over an interval of line metre, along it, what was on at its start too."""
        s = SPLICE.c
        first = self._put_on_before(line, start_m)
        wanted = select(SPLICE).where(s.line == line)
        wanted = wanted.where(s.line_metre < end_m) if np.isfinite(end_m) else wanted
        rows = self._all(wanted.where(s.line_metre >= min([*first.values(), start_m])).order_by(s.line_metre))
        return [_splice(r) for r in rows if r.line_metre >= first.get(r.position, start_m)]

    def splices_of(self, drum: str) -> Sequence[Splice]:
        """Where a drum was put on, on any line, oldest first."""
        return [_splice(r) for r in self._all(select(SPLICE).where(SPLICE.c.drum == drum).order_by(SPLICE.c.t_ms))]

    def verdicts(self, line: str, start_m: float, end_m: float) -> tuple[int, Verdicts]:
        """First whole line metre and one `Verdict` a metre, findings laid over."""

        def question(c: Connection) -> tuple[int, Verdicts]:
            pieces = self._drum_pieces(c, line, start_m, end_m, ["line_metre", "verdict"])
            first, verdict = _join_verdicts(pieces, read_verdicts(c, line, start_m, end_m))
            return first, lay_over(first, verdict, findings_on_metres(c, line, start_m, end_m))

        return self._ask(question, (int(np.floor(start_m)), np.empty(0, dtype=np.int8)))

    def rows(
        self, line: str, start_m: float, end_m: float, columns: Sequence[str] | None = None
    ) -> Mapping[str, Floats]:
        """Columns of per-metre rows, `line_metre` among them; NaN where there are no data or no such column."""

        def question(c: Connection) -> Mapping[str, Floats]:
            pieces = self._drum_pieces(c, line, start_m, end_m, None)
            first, verdict, newest = read_blocks(c, line, start_m, end_m)
            if len(verdict):
                metres = first + np.arange(len(verdict), dtype=np.float64)
                pieces.insert(0, {"line_metre": metres} | dict(newest))
            return _join_rows(pieces, columns)

        return self._ask(question, {"line_metre": np.empty(0)})

    def findings(self, line: str, start_m: float, end_m: float) -> Sequence[Finding]:
        """Findings that touch an interval of line metre, in order of metre."""
        return self._ask(lambda c: read_findings(c, line, start_m, end_m), [])

    def findings_of_kind(self, kind: FindingKind, limit: int) -> Sequence[Finding]:
        """The newest findings of a kind on any line, newest first."""
        f = FINDING.c
        wanted = select(FINDING).where(f.kind == kind.value).order_by(f.start_ms.desc()).limit(limit)
        return [finding_of(r) for r in self._all(wanted)]

    def samples(self, stream: Stream, start_ms: int, end_ms: int) -> Trend:
        """Samples of a stream in a span of time, in order."""
        line = self.configuration.lines.get(stream.line) if self.configuration else None
        settings = line.streams.get(stream.path) if line else None
        if line is not None and settings is not None and settings.derived:
            return self._derived(line, settings, settings.derived, start_ms, end_ms)
        m = MESSAGE.c
        wanted = select(m.t_ms, m.payload).where(
            m.line == stream.line, m.station == stream.station, m.quantity == stream.quantity,
            m.t_ms <= end_ms, m.end_ms >= start_ms,
        )  # fmt: skip
        wanted = wanted if self.upto_id is None else wanted.where(m.id <= self.upto_id)
        # Ordered here: asked to order by time, SQLite takes the index by time and walks all messages of the line.
        held = sorted(self._all(wanted), key=lambda row: row.t_ms)
        parts = [*self._hours(stream, start_ms, end_ms), samples.arrays(row.payload for row in held)]
        t_ms = np.concatenate([t for t, _ in parts])
        v = np.concatenate([v for _, v in parts])
        inside = np.flatnonzero((t_ms >= start_ms) & (t_ms <= end_ms))
        order = inside[np.argsort(t_ms[inside], kind="stable")]
        return Trend(t_ms[order], v[order])

    def newest_ms(self, line: str) -> Mapping[str, int]:
        """UTC ms of the newest stored sample by stream path."""
        rows = self._all(select(LINE_NOW.c.now).where(LINE_NOW.c.line == line))
        return msgspec.json.decode(rows[0].now)["extra"].get("newest_ms", {}) if rows else {}

    def states(self, line: str, start_ms: int, end_ms: int) -> Sequence[tuple[int, str, str]]:
        """(t_ms, state, reason) of each change, the one in force at the start included."""
        s = STATE_SPAN.c
        before = select(func.max(s.t_ms)).where(s.line == line, s.t_ms <= start_ms).scalar_subquery()
        wanted = select(s.t_ms, s.state, s.reason).where(
            s.line == line, s.t_ms <= end_ms, s.t_ms >= func.coalesce(before, start_ms)
        )
        rows = self._all(wanted.order_by(s.t_ms))
        return [(t, state, reason) for t, state, reason in rows]

    def proposals(self, limit: int = 100) -> Sequence[ProposalRow]:
        """Limits that someone wanted changed, newest first."""
        p = PROPOSAL.c
        rows = self._all(select(PROPOSAL).order_by(p.t_ms.desc()).limit(limit))
        return [
            ProposalRow(
                line=r.line,
                proposal=r.proposal,
                recipe=r.recipe,
                base=r.base,
                state=r.state,
                changes=msgspec.json.decode(r.changes),
                by=r.by_whom,
                reason=r.reason,
                t_ms=r.t_ms,
                rehearsal=r.rehearsal,
                decided_by=r.decided_by,
                decided_reason=r.decided_reason,
                decided_ms=r.decided_ms,
                revision=r.revision,
            )
            for r in rows
        ]

    def recipes_of_files(self) -> Sequence[Recipe]:
        """Every revision of a recipe's file that the monitor has taken, those that this program can read."""
        return list(contents(self._ask(recipes_on_record, [])).values())

    def came_into_force(self, line: str | None = None) -> Sequence[RevisionRow]:
        """Recipes that came into force while lines ran, newest first."""
        f = IN_FORCE.c
        wanted = select(IN_FORCE) if line is None else select(IN_FORCE).where(f.line == line)
        rows = self._all(wanted.order_by(f.t_ms.desc(), f.revision.desc()))
        return [
            RevisionRow(
                line=r.line,
                recipe=Recipe.model_validate_json(r.text),
                t_ms=r.t_ms,
                line_metre=r.line_metre,
                by=r.by_whom,
                approved_by=r.approved_by,
                reason=r.reason,
                changes=msgspec.json.decode(r.changes),
            )
            for r in rows
        ]

    def metre_at(self, line: str, t_ms: int) -> float | None:
        """Line metre at the counter at a time, straight between changes of state and the newest that is known."""
        s = STATE_SPAN.c
        of_line = select(s.t_ms, s.line_metre).where(s.line == line)
        before = self._all(of_line.where(s.t_ms <= t_ms).order_by(s.t_ms.desc()).limit(1))
        if not before:
            return None
        after = self._all(of_line.where(s.t_ms > t_ms).order_by(s.t_ms).limit(1))
        now = next(((r.t_ms, r.line_metre) for r in self.lines_now() if r.line == line), None)
        (t0, m0), (t1, m1) = tuple(before[0]), tuple(after[0]) if after else now or tuple(before[0])
        return float(m0 + (m1 - m0) * min((t_ms - t0) / (t1 - t0), 1.0)) if t1 > t0 else float(m1)

    def time_at(self, line: str, line_metre: float) -> int | None:
        """UTC ms at which the counter was last at a line metre, straight between changes of state."""
        s = STATE_SPAN.c
        of_line = select(s.t_ms, s.line_metre).where(s.line == line)
        last = of_line.where(s.line_metre <= line_metre).order_by(s.line_metre.desc(), s.t_ms.desc()).limit(1)
        before = self._all(last)
        after = self._all(of_line.where(s.line_metre > line_metre).order_by(s.line_metre, s.t_ms).limit(1))
        now = [(r.t_ms, r.line_metre) for r in self.lines_now() if r.line == line and r.line_metre > line_metre]
        end = tuple(after[0]) if after else now[0] if now else None
        if not before or end is None:
            return None
        (t0, m0), (t1, m1) = tuple(before[0]), end
        return int(t0 + (t1 - t0) * (line_metre - m0) / (m1 - m0))

    def journal_hash(self, line: str) -> str | None:
        """Hash of the newest entry of a line's journal."""
        j = JOURNAL.c
        rows = self._all(select(j.hash).where(j.line == line).order_by(j.seq.desc()).limit(1))
        return str(rows[0].hash) if rows else None

    def rejected(self) -> Sequence[RejectedRow]:
        """What could not become data, most frequent first."""
        rows = self._all(select(REJECTED).order_by(REJECTED.c.count.desc()))
        return [
            RejectedRow(line=r.line, kind=r.kind, count=r.count, newest_ms=r.newest_ms, topic=r.topic, why=r.why)
            for r in rows
        ]

    def gaps(self, line: str, start_ms: int, end_ms: int) -> Sequence[tuple[str, int, int, int]]:
        """(stream path, first n, last n, t_ms) of messages that never came."""
        g = GAP.c
        wanted = select(g.stream, g.first, g.last, g.t_ms).where(g.line == line, g.t_ms >= start_ms, g.t_ms <= end_ms)
        rows = self._all(wanted.order_by(g.t_ms))
        return [(stream, first, last, t) for stream, first, last, t in rows]

    # ---- inside ------------------------------------------------------------------------------------------

    def _derived(self, line: Line, settings: StreamSettings, rule: Derived, start_ms: int, end_ms: int) -> Trend:
        """A stream that no instrument gives, from the rotation and the speed that are stored."""
        rpm = self.samples(Stream(line.line, *rule.of.split("/")), start_ms, end_ms)
        begin_ms = start_ms - round(2e3 * OVER_S)
        speed = self.samples(Stream(line.line, *line.counter.speed.split("/")), begin_ms, end_ms + 1000)
        good = ~np.isnan(speed.v)
        m_per_min = convert(speed.v[good], line.speed_unit, "m/min")
        v = by_speed_m_per_min(speed.t_ms[good] / 1e3, m_per_min, rpm.t_ms / 1e3)
        out = np.full(len(rpm.v), np.nan)
        for tape, inside in self._tapes(line, settings, rpm.t_ms):
            out[inside] = derived(rule, tape, rpm.v[inside], v[inside])
        return Trend(rpm.t_ms, out)

    def _tapes(
        self, line: Line, settings: StreamSettings, t_ms: Ints
    ) -> Iterator[tuple[Tape | None, NDArray[np.bool_]]]:
        """Its tape by the recipe of each drum that was wound, and which times are that drum's; the last counts."""
        if not settings.derived or settings.derived.tape is None or not len(t_ms):
            yield None, np.ones(len(t_ms), dtype=bool)
            return
        recipes = self.configuration.recipes_for(line.line) if self.configuration else {}
        yield tape_of(settings, recipes.values()), np.ones(len(t_ms), dtype=bool)
        for recipe, begun_ms, end_ms in self.recipes_of_drums(line.line, int(t_ms[0]), int(t_ms[-1])):
            tape = tape_of(settings, [recipes[recipe]] if recipe in recipes else [])
            yield tape, (t_ms >= begun_ms) & (t_ms < end_ms)

    def _drums(self, rows: Sequence[Any]) -> list[DrumRow]:
        """Rows of the table of drums; metres of those not counted yet are counted in one pass a line."""
        counted = [r for r in rows if self._is_to_count(r)]
        verdicts = {}
        for line in {r.line for r in counted}:
            ends = [(r.start_m, np.inf if r.end_m is None else r.end_m) for r in counted if r.line == line]
            verdicts[line] = self.verdicts(line, min(a for a, _ in ends), max(b for _, b in ends))
        return [_drum(r, verdicts[r.line] if r in counted else None) for r in rows]

    def _is_to_count(self, r: Any) -> bool:
        """Whether a drum's sums are not stored yet, or can no longer be shown to be so.

        In doubt is a file of which anything shows, without reading it, that it is not as it was written.
        """
        if r.conforming_m is None:
            return True
        if r.rows_file is None:
            return False
        path = self.folder / r.rows_file
        if r.damage or parquet_files.known_unreadable(path):
            return True
        try:
            return bool(r.size_bytes) and path.stat().st_size != r.size_bytes
        except OSError:
            return True

    def _put_on_before(self, line: str, line_metre: float) -> dict[str, float]:
        """Where what is on each pay-off at a metre was put on."""
        s = SPLICE.c
        at = _positions(line)
        newest = select(func.max(s.line_metre)).where(s.line == line, s.position == at.c.position)
        newest = newest.where(s.line_metre <= line_metre)
        rows = self._all(
            select(at.c.position, newest.scalar_subquery().label("line_metre")).where(at.c.position.is_not(None))
        )
        return {r.position: r.line_metre for r in rows if r.line_metre is not None}

    def _drum_pieces(
        self, c: Connection, line: str, start_m: float, end_m: float, columns: list[str] | None
    ) -> list[dict[str, Any]]:
        """Rows that lie in drums' files, in order; a row that two drums share is taken from the later.

        Metres whose file cannot be read, or which the monitor found not as it was written, are there too, unverified.
        """
        d = DRUM.c
        wanted = DRUMS.where(_on_drums(line, start_m), d.rows_file.is_not(None), d.start_m < end_m, d.end_m > start_m)
        pieces = []
        for r in c.execute(wanted.order_by(d.start_m)):
            table = None if r.damage else parquet_files.read_or_log(self.folder / r.rows_file, columns)
            table = _unverified(r.start_m, r.end_m) if table is None else table
            metre = table["line_metre"].to_numpy()
            table = table.filter(pa.array((metre + 1 > start_m) & (metre < end_m)))
            pieces.append({n: table[n].to_numpy() for n in table.column_names})
        return pieces

    def _hours(self, stream: Stream, start_ms: int, end_ms: int) -> list[tuple[NDArray[np.int64], Floats]]:
        """Samples of a stream that lie in hours' files; none of a file that cannot be read."""
        parts, columns = [], ["t_ms", "v"] if self.upto_id is None else ["t_ms", "v", "id"]
        first = (start_ms // HOUR_MS - 1) * HOUR_MS  # a message lies in the hour of its first sample
        for path in hour_files(self.folder, stream.line, first, end_ms):
            try:
                found = samples.read(path, stream.station, stream.quantity, columns)
            except parquet_files.DAMAGE as error:
                parquet_files.log_unreadable(path, error)
                continue
            found = found if self.upto_id is None else found.filter(pc.less_equal(found["id"], self.upto_id))
            parts.append((found["t_ms"].to_numpy(), found["v"].to_numpy(zero_copy_only=False).astype(np.float64)))
        return parts


def _drum(r: Any, verdicts: tuple[int, Verdicts] | None) -> DrumRow:
    """A row of the table of drums; `verdicts` of its line, over it at least, where they are not counted yet."""
    if verdicts is None:
        metres = {v.word: getattr(r, f"{v.word}_m") for v in Verdict}
    else:
        end_m = np.inf if r.end_m is None else r.end_m
        first, verdict = cut_to(*verdicts, r.start_m, end_m)
        metres = metres_by_verdict(first, verdict, r.start_m, end_m)
        if len(verdict):
            metres[Verdict.UNVERIFIED.word] += max(0.0, first - r.start_m)  # what has no row never gets one
    return DrumRow(
        line=r.line,
        filling=r.filling,
        drum=r.drum,
        recipe=r.recipe,
        revision=r.revision,
        start_m=r.start_m,
        end_m=r.end_m,
        start_ms=r.start_ms,
        end_ms=r.end_ms,
        planned_length_m=r.planned_length_m,
        metres=metres,
    )


def _unverified(start_m: float, end_m: float) -> pa.Table:
    """Rows of a drum of which nothing is known."""
    metres = np.arange(np.floor(start_m), np.ceil(end_m))
    return pa.table({"line_metre": metres, "verdict": np.full(len(metres), Verdict.UNVERIFIED, np.int8)})


def _not_there_yet(error: Exception) -> bool:
    text = str(error)
    return any(sign in text for sign in ("unable to open database file", "no such table", "does not exist"))


def _alarm(r: Any) -> AlarmRow:
    return AlarmRow(
        line=r.line,
        alarm=r.alarm,
        occurrence_ms=r.occurrence_ms,
        t_ms=r.t_ms,
        event=r.event,
        state=r.after,
        priority=r.priority,
        value=r.value,
        limit=r.limit_value,
        unit=r.unit,
        line_metre=r.line_metre,
        recipe=r.recipe,
        revision=r.revision,
        by=r.by_whom,
        reason=r.reason,
        until_ms=r.until_ms,
    )


def _splice(r: Any) -> Splice:
    return Splice(
        line=r.line, position=r.position, drum=r.drum, t_s=r.t_ms / 1e3, line_metre=r.line_metre, left_m=r.left_m
    )


def _on_drums(line: str, start_m: float) -> ColumnElement[bool]:
    """Drums of a line from the one on that holds a metre: drums follow each other, so earlier ones end before it."""
    d = DRUM.c
    first = select(func.max(d.start_m)).where(d.line == line, d.start_m <= start_m).scalar_subquery()
    return and_(d.line == line, d.start_m >= func.coalesce(first, start_m))


def _positions(line: str) -> CTE:
    """Every pay-off that a line has on record, one look for each and none for each drum; a null row ends it."""
    s = SPLICE.c
    found = select(func.min(s.position).label("position")).where(s.line == line).cte("positions", recursive=True)
    after = select(func.min(s.position)).where(s.line == line, s.position > found.c.position).scalar_subquery()
    return found.union_all(select(after).where(found.c.position.is_not(None)))


def _join_verdicts(pieces: list[dict[str, Any]], newest: tuple[int, Verdicts]) -> tuple[int, Verdicts]:
    parts = [(int(p["line_metre"][0]), p["verdict"].astype(np.int8)) for p in pieces if len(p["line_metre"])]
    # What is not in a drum's file yet comes first: between such blocks it knows nothing, and the files do.
    parts = [newest, *parts] if len(newest[1]) else parts
    return (min(at for at, _ in parts), join_in_place(parts)) if parts else newest


def _join_rows(pieces: list[dict[str, Any]], columns: Sequence[str] | None) -> dict[str, Floats]:
    names = list(dict.fromkeys(n for piece in pieces for n in piece if n not in ("verdict", "drum_metre")))
    if columns is not None:
        names = ["line_metre", *(n for n in columns if n != "line_metre")]
    empty = {n: np.empty(0) for n in names or ["line_metre"]}
    filled = [p for p in pieces if len(p["line_metre"])]
    if not filled:
        return empty
    joined = {
        n: np.concatenate([np.asarray(p.get(n, np.full(len(p["line_metre"]), np.nan)), float) for p in filled])
        for n in names
    }
    _, last = np.unique(joined["line_metre"][::-1], return_index=True)
    order = len(joined["line_metre"]) - 1 - last
    return {n: column[order] for n, column in joined.items()}
