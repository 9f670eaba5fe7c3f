"""Who watches the monitor: what troubles it in words, and its figures for a collector (Prometheus text format)."""

from collections.abc import Callable

from dashboard import format
from dashboard.context import Context
from dashboard.format import fixed
from monitor.contract.reading import HealthRow
from monitor.contract.selfwatch import SELF_ALARMS

SILENT_S, LAG_S, COMMIT_S = 15.0, 15.0, 15.0
QUEUE, DISK_GIB = SELF_ALARMS["monitor/queue/long"].limit, SELF_ALARMS["monitor/disk/low"].limit
METRICS_TYPE = "text/plain; version=0.0.4; charset=utf-8"


def troubles(row: HealthRow, now_ms: int) -> list[str]:
    """What is wrong with a monitor, most urgent first; nothing where it is well."""
    silent_s = (now_ms - row.t_ms) / 1e3
    if silent_s > SILENT_S:
        return [f"has written nothing for {fixed(silent_s, 0)} s: is it running, is the disk full?"]
    found = []
    if row.disk_free_bytes is not None and row.disk_free_bytes / 2**30 < DISK_GIB:
        found.append(f"disk nearly full, {fixed(row.disk_free_bytes / 2**30, 1)} GiB left: make room")
    if row.last_commit_ms is not None and row.queue and (row.t_ms - row.last_commit_ms) / 1e3 > COMMIT_S:
        found.append("cannot commit: nothing is acknowledged until it can")
    if row.queue > QUEUE:
        found.append(f"{format.number(row.queue, '', 0)} messages wait: it is slower than the lines")
    if row.lag_s > LAG_S:
        found.append(f"the newest data is {fixed(row.lag_s, 0)} s old: are the gateways there, are the clocks right?")
    return found


Values = list[tuple[dict[str, str], float]]


def _of_monitors(of: Callable[[HealthRow, int], float | None]) -> Callable[[Context], Values]:
    def values(context: Context) -> Values:
        found = [({"monitor": row.monitor}, of(row, context.now_ms)) for row in context.record.health()]
        return [(labels, float(value)) for labels, value in found if value is not None]

    return values


def _line_ages(context: Context) -> Values:
    return [({"line": row.line}, (context.now_ms - row.t_ms) / 1e3) for row in context.record.lines_now()]


def _rejected(context: Context) -> Values:
    return [({"line": row.line, "kind": row.kind}, float(row.count)) for row in context.record.rejected()]


# name, kind, what it is, its values
FIGURES: tuple[tuple[str, str, str, Callable[[Context], Values]], ...] = (
    ("monitor_said_age_seconds", "gauge", "Since a monitor last wrote how it is.",
     _of_monitors(lambda row, now_ms: (now_ms - row.t_ms) / 1e3)),
    ("monitor_lag_seconds", "gauge", "Age of the newest data a monitor has.", _of_monitors(lambda row, _: row.lag_s)),
    ("monitor_queue_messages", "gauge", "Messages that wait.", _of_monitors(lambda row, _: row.queue)),
    ("monitor_troubles", "gauge", "How many things trouble a monitor.",
     _of_monitors(lambda row, now_ms: len(troubles(row, now_ms)))),
    ("store_disk_free_bytes", "gauge", "Room where the store lies.", _of_monitors(lambda row, _: row.disk_free_bytes)),
    ("line_age_seconds", "gauge", "Since the record of a line moved on.", _line_ages),
    ("rejected_messages_total", "counter", "Messages that could not become data.", _rejected),
)  # fmt: skip


def metrics(context: Context) -> str:
    """Figures of every monitor and line, one a row."""
    rows: list[str] = []
    for name, kind, about, values in FIGURES:
        rows += [f"# HELP everymetre_{name} {about}", f"# TYPE everymetre_{name} {kind}"]
        for labels, value in values(context):
            said = ",".join(f'{key}="{_escaped(text)}"' for key, text in labels.items())
            rows.append(f"everymetre_{name}{{{said}}} {value:.10g}")
    return "\n".join([*rows, ""])


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
