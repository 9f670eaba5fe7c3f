"""Alarms as intervals: from each activation to its return, out of changes or of stored rows."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from monitor.contract.reading import AlarmRow
from monitor.contract.record import AlarmChange


@dataclass(frozen=True, slots=True, kw_only=True)
class Activation:
    """One activation of one alarm; `end_s` is None while it is active."""

    line: str
    alarm: str
    priority: str
    t_s: float
    end_s: float | None = None
    line_metre: float | None = None
    value: float | None = None
    limit: float | None = None
    unit: str = ""

    def duration_s(self, upto_s: float) -> float:
        """Seconds that it was active, at most until `upto_s`."""
        return (upto_s if self.end_s is None else min(self.end_s, upto_s)) - self.t_s


def of_changes(changes: Iterable[AlarmChange]) -> list[Activation]:
    """Activations in order of time."""
    return _paired(
        (
            c.t_s,
            c.event,
            Activation(
                line=c.line,
                alarm=c.alarm,
                priority=c.priority.value,
                t_s=c.t_s,
                end_s=None,
                line_metre=c.line_metre,
                value=c.value,
                limit=c.limit,
                unit=c.unit,
            ),
        )
        for c in changes
    )


def of_rows(rows: Sequence[AlarmRow]) -> list[Activation]:
    """Activations from the record's rows, newest first as it gives them."""
    ordered = list(rows)[::-1]  # two of one moment stay in the order they came
    ordered.sort(key=lambda r: r.t_ms)
    return _paired(
        (
            r.t_ms / 1e3,
            r.event,
            Activation(
                line=r.line,
                alarm=r.alarm,
                priority=r.priority,
                t_s=r.t_ms / 1e3,
                end_s=None,
                line_metre=r.line_metre,
                value=r.value,
                limit=r.limit,
                unit=r.unit,
            ),
        )
        for r in ordered
    )


def _paired(events: Iterable[tuple[float, str, Activation]]) -> list[Activation]:
    """An alarm that is shelved or out of service stays active until it returns."""
    found: list[Activation] = []
    standing: dict[tuple[str, str], int] = {}
    for t_s, event, one in events:
        key = (one.line, one.alarm)
        if event == "raised":
            standing[key] = len(found)
            found.append(one)
        elif event == "returned" and key in standing:
            at = standing.pop(key)
            found[at] = replace(found[at], end_s=t_s)
    return sorted(found, key=lambda r: r.t_s)
