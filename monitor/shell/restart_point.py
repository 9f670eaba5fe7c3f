"""Where a line's record can be made again after messages that are lost: the beginning of a filling behind them.

What the record says at that moment (metre, drum, alarms, open stretches) is taken as it is; all cable of the filling
came into the line later than the loss, so that everything from there on can be made of messages.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import ColumnElement, Connection, Engine, Table, and_, func, or_, select

from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Line
from monitor.contract.messages import DrumChange
from monitor.contract.record import DrumSpan, Output, Proposal
from monitor.core.arrival import Message
from monitor.core.fillings import Fillings
from monitor.core.pipeline import Pipeline
from monitor.core.resume import resume
from monitor.core.track import Track, to_grid
from monitor.shell.counted_track import counted, counter_and_speed, first_counter_s
from monitor.shell.damage import END_MS, Lost
from monitor.shell.restore import BEFORE_S
from monitor.store import last_known
from monitor.store.database import upsert
from monitor.store.events import joinable_rows
from monitor.store.last_known import drum_span
from monitor.store.message_history import Came, History
from monitor.store.revisions import RevisionsTaken
from monitor.store.schema import ALARM_CHANGE, ALARM_NOW, DRUM, EVENT, FINDING
from monitor.store.writer import Batch, Writer, ms

FIRST_MESSAGES = 200  # behind a loss: what lies before their newest stamp may miss some of it
WHOLE_M = 2.0  # a filling's first row takes in what lies around it


@dataclass(frozen=True, slots=True, kw_only=True)
class RestartPoint:
    """A filling whose cable came into the line behind a loss, and how a fresh engine comes to its line metre there.

    Messages behind `after` are fed, the oldest of `begin_ms` (UTC), to a line as it is `described` since then. `track`
    is that of the counter alone, `off_m` behind the line metre.
    """

    drum: DrumSpan
    described: Line
    after: Lost
    begin_ms: int
    track: Track
    off_m: float

    def place(self, pipeline: Pipeline, came: Sequence[Came]) -> None:
        """Set the line metre of an engine at its first counter reading."""
        if pipeline.track.start_m is None:
            t_s = first_counter_s([message for _, message in came], pipeline.line)
            if t_s is not None:
                pipeline.track.start_m = float(self.track.at(t_s)) + self.off_m

    def is_reached(self, pipeline: Pipeline) -> bool:
        """Whether an engine has come to the filling."""
        is_on = pipeline.drums.on is not None and pipeline.drums.on.filling == self.drum.filling
        return is_on and pipeline.track.end_s >= self.drum.start_s

    def corrected(self, pipeline: Pipeline) -> "RestartPoint":
        """The same, by an engine that has come to it: its track depends on the order in which messages came too."""
        assert pipeline.drums.on is not None
        return replace(self, off_m=self.off_m + to_grid(self.drum.start_m - pipeline.drums.on.start_m))


def restart_point(
    configuration: Configuration,
    engine: Engine,
    line: str,
    after: Lost,
    before: Lost | None,
    taken: Sequence[RevisionsTaken],
) -> RestartPoint | None:
    """The first filling behind one loss and before the next that can be made again; None where there is none.

    `taken`: revisions of the line's file; `configuration` has the first of them.
    """
    first = next(_behind(configuration, line, after), None)
    if first is None:
        return None
    d = DRUM.c
    begun = select(DRUM).where(d.line == line, d.start_ms > (first.t_s + BEFORE_S) * 1e3).order_by(d.start_ms)
    with engine.connect() as connection:
        candidates = [drum_span(row) for row in connection.execute(begun)]
    for drum in candidates:
        if before is not None and not before.follows(-1, drum.start_s * 1e3):
            return None
        described, behind = _described(configuration.lines[line], after, taken, ms(drum.start_s))
        found = _of(configuration, described, behind, drum)
        if found is not None:
            return found
    return None


def _described(line: Line, after: Lost, taken: Sequence[RevisionsTaken], at_ms: int) -> tuple[Line, Lost]:
    """The line at a time, and behind which message it was so."""
    for one in taken:
        if one.line is not None and one.t_ms <= at_ms:
            line, after = one.line, replace(after, last_id=max(after.last_id, one.message_id or after.last_id))
    return line, after


def _behind(configuration: Configuration, line: str, after: Lost) -> Iterator[Message]:
    """Messages behind a loss, in the order in which they came."""
    history = History(configuration=configuration, line=line, after_id=after.last_id)
    for part in history.came(max(after.end_ms, 0), END_MS):
        yield from (m for at, m in part if isinstance(m, Message) and after.precedes(at, m.t_s * 1e3))


def _of(configuration: Configuration, described: Line, after: Lost, drum: DrumSpan) -> RestartPoint | None:
    """A filling, if its first metre came to the head of the line long enough after the loss."""
    line = described.line
    configuration = configuration.model_copy(update={"lines": {**configuration.lines, line: described}})
    first = list(islice(_behind(configuration, line, after), FIRST_MESSAGES))
    begin_s, start_s = max((m.end_s for m in first), default=np.inf), drum.start_s
    if begin_s + BEFORE_S >= start_s:
        return None
    first_s = min(m.t_s for m in first)
    streams = counter_and_speed(described)
    history = History(configuration=configuration, line=line, after_id=after.last_id, streams=streams)
    track = counted(history, described, start_s, start_s - first_s)
    if not len(track.t_s):
        return None
    off_m = to_grid(drum.start_m - float(track.at(start_s)) - described.counter_m + described.take_up_m)
    lowest_m = min(0.0, *(station.position_m for station in described.station))
    at_head_m = float(track.at(begin_s + BEFORE_S)) + off_m + described.counter_m - lowest_m
    if at_head_m > drum.start_m - WHOLE_M:
        return None
    return RestartPoint(drum=drum, described=described, after=after, begin_ms=ms(first_s), track=track, off_m=off_m)


# ---- the engine ------------------------------------------------------------------------------------------------


def assume(pipeline: Pipeline, engine: Engine, folder: Path, held: RestartPoint) -> None:
    """What was so when the messages begin: drum, fillings, proposals, and the state that the machine had reported."""
    line, begin_ms = pipeline.line.line, held.begin_ms
    with engine.connect() as connection:
        drum = last_known.drum_at(connection, line, begin_ms)
        recipe = last_known.recipe_at(connection, line, begin_ms)
        pipeline.drums.fillings = _fillings(connection, held)
        pipeline.revisions.proposals = _proposals(connection, line, begin_ms)
    if drum is not None:
        on = DrumChange(n=0, t=begin_ms, drum=drum.drum, recipe=drum.recipe, planned_length_m=drum.planned_length_m)
        pipeline.assume(on, begin_ms / 1e3)
    elif recipe is not None:
        pipeline.assume(DrumChange(n=0, t=begin_ms, drum=None, recipe=recipe), begin_ms / 1e3)
    reported = last_known.newest_state(engine, folder, line, begin_ms)
    if reported is not None:
        pipeline.states.report(min(reported.t, begin_ms) / 1e3, reported.state, reported.reason)


def restart_from(pipeline: Pipeline, engine: Engine, writer: Writer, held: RestartPoint) -> None:
    """Go on from what the record knew when the filling began, which then is in the store of `writer` too."""
    line, at_ms = pipeline.line.line, ms(pipeline.track.end_s)
    assert pipeline.drums.on is not None
    outputs: list[Output] = [pipeline.drums.on, *pipeline.revisions.proposals.values()]
    writer.write(Batch(outputs=outputs, now={line: pipeline.now()}))
    with engine.connect() as stored, writer.engine.begin() as made:
        upsert(made, ALARM_NOW, _alarms(stored, line, at_ms))
        upsert(made, FINDING, [row | {"end_m": None, "end_ms": None} for row in _open(stored, line, at_ms)])
        events = joinable_rows(stored, line, at_ms, pipeline.now().line_metre, at_ms)
        upsert(made, EVENT, [row._asdict() for row in events])
        fillings = _fillings(stored, held)
    with writer.engine.connect() as connection:
        known = last_known.read(connection, pipeline.line, pipeline.line)
    if known is not None:
        spans = pipeline.drums.spans
        resume(pipeline, known)
        pipeline.drums.spans, pipeline.drums.fillings = spans, fillings


def _fillings(stored: Connection, held: RestartPoint) -> Fillings:
    return last_known.fillings(stored, held.drum.line, ms(held.drum.start_s) + 1)


def _rows(connection: Connection, table: Table, wanted: ColumnElement[bool]) -> list[dict[str, Any]]:
    return [row._asdict() for row in connection.execute(select(table).where(wanted))]


def _alarms(stored: Connection, line: str, at_ms: int) -> list[dict[str, Any]]:
    """The newest change of each alarm at a time."""
    a = ALARM_CHANGE.c
    newest = select(func.max(a.id)).where(a.line == line, a.t_ms <= at_ms).group_by(a.alarm)
    rows = _rows(stored, ALARM_CHANGE, a.id.in_(newest))
    return [{name: row[name] for name in ALARM_NOW.columns.keys()} for row in rows]  # noqa: SIM118 - columns by name


def _open(stored: Connection, line: str, at_ms: int) -> list[dict[str, Any]]:
    """Findings that were open at a time, but for those that were reported later than they began, and after it."""
    f, a = FINDING.c, ALARM_CHANGE.c
    rows = _rows(stored, FINDING, and_(f.line == line, f.start_ms <= at_ms, or_(f.end_ms.is_(None), f.end_ms > at_ms)))
    raised = select(a.alarm, a.t_ms).where(a.line == line, a.event == "raised")
    names = {f"{row['stream']}/{row['check_name']}" for row in rows}
    raised_ms: dict[str, list[int]] = {}
    for alarm, t_ms in stored.execute(raised.where(a.alarm.in_(names))):
        raised_ms.setdefault(alarm, []).append(t_ms)
    return [row for row in rows if not _is_reported_after(row, at_ms, raised_ms)]


def _is_reported_after(row: Mapping[str, Any], at_ms: int, raised_ms: Mapping[str, list[int]]) -> bool:
    end_ms = END_MS if row["end_ms"] is None else row["end_ms"]
    mine = [t for t in raised_ms.get(f"{row['stream']}/{row['check_name']}", ()) if row["start_ms"] <= t <= end_ms]
    return bool(mine) and min(mine) > at_ms


def _proposals(stored: Connection, line: str, at_ms: int) -> dict[str, Proposal]:
    """Proposals at a time, by name; one that was decided later is still open."""
    found = {name: p for name, p in last_known.proposals(stored, line).items() if ms(p.t_s) <= at_ms}
    return {
        name: p
        if p.decided_s is not None and ms(p.decided_s) <= at_ms
        else replace(p, state="proposed", decided_by="", decided_reason="", decided_s=None, revision=None)
        for name, p in found.items()
    }
