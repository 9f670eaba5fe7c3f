"""The last known state of a line on record, for an engine that has no snapshot."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from sqlalchemy import BindParameter, Connection, Engine, bindparam, func, or_, select

from monitor.contract.config.line import Line
from monitor.contract.messages import StateChange
from monitor.contract.record import AlarmChange, AlarmState, DrumSpan, Finding, Priority, Proposal
from monitor.contract.topics import MONITOR, OPERATOR, STATE
from monitor.core.fillings import KEPT, Fillings
from monitor.core.resume import LastKnown
from monitor.core.track import TrackStart
from monitor.store import samples
from monitor.store.events import event_of, joinable_rows
from monitor.store.findings import finding_of
from monitor.store.numbering import StreamNumbers
from monitor.store.parquet_files import DAMAGE
from monitor.store.rolling import hour_files
from monitor.store.schema import ALARM_NOW, DRUM, FINDING, LEDGER, LINE_NOW, MESSAGE, METRE_BLOCK, PROPOSAL, STATE_SPAN

# A start asks each of them for each line: built once, which costs as much as to execute.
_LINE: BindParameter[str] = bindparam("line")
_NOW = select(LINE_NOW).where(LINE_NOW.c.line == _LINE)
_ALARMS = select(ALARM_NOW).where(ALARM_NOW.c.line == _LINE)
_LEDGER = select(LEDGER).where(LEDGER.c.line == _LINE)
_PROPOSALS = select(PROPOSAL).where(PROPOSAL.c.line == _LINE).order_by(PROPOSAL.c.t_ms)
_LAST_ROW = select(func.max(METRE_BLOCK.c.first_m + METRE_BLOCK.c.rows)).where(METRE_BLOCK.c.line == _LINE)
_LAST_ROLLED = select(func.max(DRUM.c.end_m)).where(DRUM.c.line == _LINE, DRUM.c.rows_file.is_not(None))
_BEGUN = select(DRUM).where(DRUM.c.line == _LINE, DRUM.c.start_ms < bindparam("before_ms"))
_NEWEST_FILLINGS = _BEGUN.order_by(DRUM.c.filling.desc()).limit(KEPT)


def read(connection: Connection, described: Line, now: Line) -> LastKnown | None:
    """What is known of a line as it was `described`, with the counter's position as it is `now`.

    The cable at the take-up keeps its metre where counter or take-up have moved. None for a line whose counter was
    never received.
    """
    line = {"line": now.line}
    newest = connection.execute(_NOW, line).first()
    if newest is None or newest.t_ms <= 0:
        return None
    status = msgspec.json.decode(newest.now)
    moved_m = (described.counter_m - described.take_up_m) - (now.counter_m - now.take_up_m)
    next_row, line_metre = _next_row(connection, now.line), float(status["line_metre"])
    return LastKnown(
        t_s=float(status["extra"].get("t_s", newest.t_ms / 1e3)),
        line_metre=line_metre + moved_m,
        track=_track(status["extra"].get("track"), moved_m),
        next_row=next_row,
        recipe=status["extra"].get("recipe"),
        spans=list(_spans(connection, now.line, next_row)),
        alarms=[_alarm(r) for r in connection.execute(_ALARMS, line)],
        findings=list(_findings(connection, now.line)),
        events=[event_of(r) for r in joinable_rows(connection, now.line, newest.t_ms, line_metre)],
        orders=_orders(connection, now.line),
    )


def _track(start: object, moved_m: float) -> TrackStart | None:
    """None for a line whose counter gave no reading, or that an older program wrote."""
    return None if start is None else msgspec.convert(start, TrackStart).moved(moved_m)


def _next_row(connection: Connection, line: str) -> int | None:
    """The first whole metre without a row: behind the newest block, or the newest drum whose rows are in its file."""
    block = connection.execute(_LAST_ROW, {"line": line}).scalar()
    drum = connection.execute(_LAST_ROLLED, {"line": line}).scalar()
    ends = [int(block)] if block is not None else []
    return max([*ends, int(np.floor(drum))] if drum is not None else ends, default=None)


def drum_span(r: Any) -> DrumSpan:
    """A row of the table of drums."""
    start_ms, end_ms = r.start_ms, r.end_ms
    names = ("line", "filling", "drum", "recipe", "revision", "start_m", "end_m", "planned_length_m")
    return DrumSpan(
        **{name: getattr(r, name) for name in names},
        start_s=start_ms / 1e3,
        end_s=None if end_ms is None else end_ms / 1e3,
    )


def fillings(connection: Connection, line: str, before_ms: int = 2**53) -> Fillings:
    """The newest fillings of a line that began before a time."""
    newest = connection.execute(_NEWEST_FILLINGS, {"line": line, "before_ms": before_ms})
    return Fillings.of(drum_span(row) for row in newest)


def drum_at(connection: Connection, line: str, t_ms: int) -> DrumSpan | None:
    """The drum that was being wound at a time."""
    d = DRUM.c
    wanted = select(DRUM).where(d.line == line, d.start_ms <= t_ms, or_(d.end_ms.is_(None), d.end_ms > t_ms))
    row = connection.execute(wanted.order_by(d.start_ms.desc()).limit(1)).first()
    return drum_span(row) if row else None


def recipe_at(connection: Connection, line: str, t_ms: int) -> str | None:
    """The recipe of the newest drum that had begun by a time; it stays in force while no drum is on."""
    d = DRUM.c
    wanted = select(d.recipe).where(d.line == line, d.start_ms <= t_ms).order_by(d.start_ms.desc()).limit(1)
    return connection.execute(wanted).scalar()


def proposals(connection: Connection, line: str) -> dict[str, Proposal]:
    """Proposals by name, oldest first, each as it is now."""
    return {
        r.proposal: Proposal(
            line=r.line, proposal=r.proposal, recipe=r.recipe, base=r.base, state=r.state,
            changes=msgspec.json.decode(r.changes), by=r.by_whom, reason=r.reason, t_s=r.t_ms / 1e3,
            rehearsal=r.rehearsal, decided_by=r.decided_by, decided_reason=r.decided_reason,
            decided_s=None if r.decided_ms is None else r.decided_ms / 1e3, revision=r.revision,
        )
        for r in connection.execute(_PROPOSALS, {"line": line})
    }  # fmt: skip


def newest_state(engine: Engine, folder: Path, line: str, before_ms: int) -> StateChange | None:
    """What the machine last reported of the line's state, out of the database or the hour files."""
    m = MESSAGE.c
    of_stream = select(m.payload).where(m.line == line, m.station == "line", m.quantity == STATE)
    wanted = of_stream.where(m.end_ms < before_ms)  # which is its stamp, and in the index by stream
    with engine.connect() as connection:
        held = connection.execute(wanted.order_by(m.end_ms.desc(), m.id.desc()).limit(1)).scalar()
    if held is not None:
        return msgspec.json.decode(held, type=StateChange)
    for path in reversed(hour_files(folder, line, 0, before_ms)):
        try:
            table = samples.read(path, "line", STATE, ["t_ms", "story"])
        except DAMAGE:
            continue  # it costs its own hour, as everywhere
        rows = [r for r in table.to_pylist() if r["t_ms"] < before_ms]
        if rows:
            return msgspec.json.decode(rows[-1]["story"], type=StateChange)
    return None


def states(connection: Connection, line: str, since_ms: int, until_ms: int) -> list[tuple[float, str, str]]:
    """UTC s, state and reason of each step of the line's state in a span of time, and of the one before it."""
    s = STATE_SPAN.c
    first = select(func.max(s.t_ms)).where(s.line == line, s.t_ms <= since_ms).scalar_subquery()
    wanted = select(s.t_ms, s.state, s.reason).where(
        s.line == line, s.t_ms >= func.coalesce(first, since_ms), s.t_ms < until_ms
    )
    return [(r.t_ms / 1e3, r.state, r.reason) for r in connection.execute(wanted.order_by(s.t_ms))]


def _spans(connection: Connection, line: str, next_row: int | None) -> Iterator[DrumSpan]:
    d = DRUM.c
    wanted = select(DRUM).where(d.line == line, or_(d.end_m.is_(None), d.end_m > (next_row or -np.inf)))
    rows = connection.execute(wanted.order_by(d.start_m, d.start_ms)).all()
    yield from (drum_span(r) for i, r in enumerate(rows) if r.end_m is not None or i == len(rows) - 1)


def _findings(connection: Connection, line: str) -> Iterator[Finding]:
    """Those that are open, and those that the newest forecast made."""
    f = FINDING.c
    foreseen = f.stream == "cure/forecast"
    newest = select(func.max(f.start_ms)).where(f.line == line, foreseen).scalar_subquery()
    wanted = select(FINDING).where(f.line == line, or_(f.end_m.is_(None), foreseen & (f.start_ms == newest)))
    yield from (finding_of(r) for r in connection.execute(wanted.order_by(f.start_ms)))


def _orders(connection: Connection, line: str) -> dict[str, tuple[int, int, float]]:
    """By stream: its newest numbering, the number after the newest that is stored, and the newest stamp."""
    rows = connection.execute(_LEDGER, {"line": line}).all()
    kept = {f"{r.station}/{r.quantity}": r.spans for r in rows if r.station not in (OPERATOR, MONITOR)}
    found = {}
    for path, text in kept.items():
        numbers = StreamNumbers.read(text)
        if numbers.numberings and numbers.numberings[-1].spans:
            newest = numbers.numberings[-1]
            found[path] = newest.start, newest.spans[-1][1] + 1, numbers.newest_ms / 1e3
    return found


def _alarm(r: Any) -> AlarmChange:
    names = ("line", "alarm", "event", "value", "unit", "line_metre", "recipe", "revision", "reason")
    until_ms = r.until_ms
    return AlarmChange(
        **{name: getattr(r, name) for name in names},
        occurrence_s=r.occurrence_ms / 1e3,
        t_s=r.t_ms / 1e3,
        before=AlarmState(r.before),
        after=AlarmState(r.after),
        priority=Priority(r.priority),
        limit=r.limit_value,
        by=r.by_whom,
        until_s=None if until_ms is None else until_ms / 1e3,
    )
