"""Shifts by the works' own calendar: each runs from its local beginning to the next, through clock changes too."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from monitor.contract.config.works import Shift

DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class ShiftSpan:
    """One shift of one day: `start_ms` up to `end_ms` in UTC; `day` is the local date on which it began."""

    name: str
    day: date
    start_ms: int
    end_ms: int

    @property
    def hours(self) -> float:
        return (self.end_ms - self.start_ms) / 3_600_000

    @property
    def title(self) -> str:
        """Such as `2026-03-29 night`."""
        return f"{self.day.isoformat()} {self.name}"


def shifts_between(start_ms: int, end_ms: int, calendar: Sequence[Shift], zone: str) -> list[ShiftSpan]:
    """Shifts that touch a span of time, in order; those at its edges whole."""
    if end_ms <= start_ms or not calendar:
        return []
    tz = ZoneInfo(zone)
    first = datetime.fromtimestamp(start_ms / 1e3, tz).date() - DAY
    last = datetime.fromtimestamp(end_ms / 1e3, tz).date() + DAY
    begins = []
    for i in range((last - first).days + 1):
        day = first + i * DAY
        begins += [(_utc_ms(day, shift.begins, tz), shift.name, day) for shift in calendar]
    begins.sort()
    spans = [ShiftSpan(name, day, at, after) for (at, name, day), (after, _, _) in pairwise(begins)]
    return [span for span in spans if span.start_ms < end_ms and span.end_ms > start_ms]


def shift_at(t_ms: int, calendar: Sequence[Shift], zone: str) -> ShiftSpan | None:
    """The shift at a moment; None where the works has no calendar."""
    return next(iter(shifts_between(t_ms, t_ms + 1, calendar, zone)), None)


def worth_of(start_ms: int, end_ms: int, calendar: Sequence[Shift], zone: str) -> float:
    """Length of a span of time in shifts; eight hours each where there is no calendar."""
    spans = shifts_between(start_ms, end_ms, calendar, zone)
    if not spans:
        return max((end_ms - start_ms) / (8 * 3_600_000), 1e-9)
    return sum((min(s.end_ms, end_ms) - max(s.start_ms, start_ms)) / (s.end_ms - s.start_ms) for s in spans)


def _utc_ms(day: date, at: time, tz: ZoneInfo) -> int:
    """A local time that comes twice is its first; one that does not exist is the moment the clocks go on."""
    local = datetime.combine(day, at, tz)
    return round(local.astimezone(UTC).timestamp() * 1e3)
