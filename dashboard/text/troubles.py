"""Problems of a monitor as text, from its last status."""

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
        return [
            f"has not reported for {fixed(silent_s, 0)} s: check that it runs and that the disk has space",
            *row.problems,
        ]
    found = list(row.problems)
    if row.disk_free_bytes is not None and row.disk_free_bytes / 2**30 < DISK_GIB:
        found.append(f"disk nearly full, {fixed(row.disk_free_bytes / 2**30, 1)} GiB left: make room")
    if row.last_commit_ms is not None and row.queue and (row.t_ms - row.last_commit_ms) / 1e3 > COMMIT_S:
        found.append("cannot commit: nothing is acknowledged until it can")
    if row.queue > QUEUE:
        found.append(f"{format.number(row.queue, '', 0)} messages queued: processing is behind")
    if row.lag_s > LAG_S:
        found.append(f"the newest data is {fixed(row.lag_s, 0)} s old: check gateways and clock synchronisation")
    return found
