"""Events as values, out of the rows of their table and into them."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import msgspec
from sqlalchemy import Connection, func, select

from monitor.contract.record import EventMember, LineEvent
from monitor.store.schema import EVENT, OPEN_EVENT

JOINED_WITHIN_MS = 24 * 3_600_000  # an event that ended before may be joined no more, unless the line has stood since
JOINED_WITHIN_M = 2000.0


def event_row(e: LineEvent) -> dict[str, Any]:
    """A row of the table of events."""
    return {
        "line": e.line, "event": e.event, "kind": e.kind, "start_ms": _ms(e.start_s), "end_ms": _ms_or_none(e.end_s),
        "changed_ms": _ms(e.changed_s), "start_m": e.start_m, "end_m": e.end_m, "touched_from_m": e.touched_from_m,
        "touched_to_m": e.touched_to_m, "priority": e.priority.value, "asks": e.asks,
        "members": _members_text(e.members), "faults": e.faults,
        "faults_m": msgspec.json.encode(e.faults_m).decode(), "spacing_m": e.spacing_m, "answered_by": e.answered_by,
        "answered_ms": _ms_or_none(e.answered_s),
    }  # fmt: skip


def event_of(r: Any) -> LineEvent:
    """A row of the table of events as a value; which filling holds it is not in the row."""
    names = ("line", "event", "kind", "start_m", "end_m", "touched_from_m", "touched_to_m", "faults", "spacing_m")
    return LineEvent(
        **{name: getattr(r, name) for name in names},
        start_s=r.start_ms / 1e3,
        end_s=_s_or_none(r.end_ms),
        changed_s=r.changed_ms / 1e3,
        members=msgspec.json.decode(r.members, type=tuple[EventMember, ...]),
        faults_m=msgspec.json.decode(r.faults_m, type=tuple[float, ...]),
        answered_by=r.answered_by,
        answered_s=_s_or_none(r.answered_ms),
    )


def joinable_rows(c: Connection, line: str, at_ms: int, line_metre: float, begun_by_ms: int | None = None) -> list[Any]:
    """Rows of events that an alarm may join or a person may answer at a time, of all or those begun by a time."""
    e = EVENT.c
    begun = select(EVENT).where(e.line == line)
    begun = begun if begun_by_ms is None else begun.where(e.start_ms <= begun_by_ms)
    recent = begun.where(e.changed_ms >= at_ms - JOINED_WITHIN_MS)
    near = begun.where(e.start_m >= line_metre - JOINED_WITHIN_M)
    rows = {r.event: r for wanted in (begun.where(OPEN_EVENT), recent, near) for r in c.execute(wanted)}
    return sorted(rows.values(), key=lambda r: r.start_ms)


def first_ms(c: Connection, line: str) -> int | None:
    """Start of the first event on record, UTC ms: older programs kept none."""
    return c.execute(select(func.min(EVENT.c.start_ms)).where(EVENT.c.line == line)).scalar()


def _members_text(members: Sequence[EventMember]) -> str:
    """Times as those of alarms are kept."""
    kept = [replace(m, occurrence_s=_ms(m.occurrence_s) / 1e3) for m in members]
    return msgspec.json.encode(kept).decode()


def _ms(t_s: float) -> int:
    return round(t_s * 1e3)


def _ms_or_none(t_s: float | None) -> int | None:
    return None if t_s is None else _ms(t_s)


def _s_or_none(t_ms: int | None) -> float | None:
    return None if t_ms is None else t_ms / 1e3
