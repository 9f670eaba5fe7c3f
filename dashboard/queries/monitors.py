"""Monitors as they last reported, and the lines that none of them reports."""

from collections.abc import Sequence

from dashboard.context import Context
from dashboard.text import alarm_text
from monitor.contract.reading import HealthRow

REPORTED_MS = 60_000  # what a monitor reported of itself is of no use after this


def monitors(context: Context) -> list[HealthRow]:
    """Each monitor, but for earlier ones whose lines are all reported by others now."""
    rows = context.record.health()
    reported = {line for row in recent(rows, context.now_ms) for line in row.lines}
    return [row for row in rows if _is_recent(row, context.now_ms) or not reported.issuperset(row.lines)]


def recent(rows: Sequence[HealthRow], now_ms: int) -> list[HealthRow]:
    """Monitors that reported within the last minute."""
    return [row for row in rows if _is_recent(row, now_ms)]


def suspended(context: Context) -> dict[str, str]:
    """Lines of which nothing is stored for now, with what to do, as their monitors last reported."""
    rows, known = recent(context.record.health(), context.now_ms), context.configuration.lines
    return {line: alarm_text.suspended(why) for row in rows for line, why in row.suspended.items() if line in known}


def unmonitored(context: Context) -> dict[str, str]:
    """Configured lines that no monitor has reported for a minute, with what to do; none before the first report."""
    rows = context.record.health()
    reported = {line for row in recent(rows, context.now_ms) for line in row.lines}
    return {line: alarm_text.unmonitored(line) for line in context.configuration.lines if rows and line not in reported}


def _is_recent(row: HealthRow, now_ms: int) -> bool:
    return now_ms - row.t_ms < REPORTED_MS
