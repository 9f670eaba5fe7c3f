"""What is wrong with a monitor, in words, by what it last wrote of itself."""

from dashboard.text import format
from dashboard.text.format import fixed
from monitor.contract.reading import HealthRow
from monitor.contract.selfwatch import SELF_ALARMS

SILENT_S, LAG_S, COMMIT_S = 15.0, 15.0, 15.0
QUEUE, DISK_GIB = SELF_ALARMS["monitor/queue/long"].limit, SELF_ALARMS["monitor/disk/low"].limit


def troubles(row: HealthRow, now_ms: int) -> list[str]:
    """What is wrong with a monitor, most urgent first; nothing where it is well."""
    silent_s = (now_ms - row.t_ms) / 1e3
    if silent_s > SILENT_S:
        return [f"has written nothing for {fixed(silent_s, 0)} s: is it running, is the disk full?", *row.problems]
    found = list(row.problems)
    if row.disk_free_bytes is not None and row.disk_free_bytes / 2**30 < DISK_GIB:
        found.append(f"disk nearly full, {fixed(row.disk_free_bytes / 2**30, 1)} GiB left: make room")
    if row.last_commit_ms is not None and row.queue and (row.t_ms - row.last_commit_ms) / 1e3 > COMMIT_S:
        found.append("cannot commit: nothing is acknowledged until it can")
    if row.queue > QUEUE:
        found.append(f"{format.number(row.queue, '', 0)} messages wait: it is slower than the lines")
    if row.lag_s > LAG_S:
        found.append(f"the newest data is {fixed(row.lag_s, 0)} s old: are the gateways there, are the clocks right?")
    return found
