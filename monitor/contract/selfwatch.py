"""What may trouble the monitor itself: one table of alarms, each judged by what the monitor says of its health."""

from collections.abc import Callable
from dataclasses import dataclass

from monitor.contract.config.line import Response
from monitor.contract.messages import Health
from monitor.contract.record import Priority


@dataclass(frozen=True, slots=True)
class SelfAlarm:
    """Raised when `of` a health is beyond `limit`, returned when back at `back`; None says nothing of it."""

    title: str
    priority: Priority
    limit: float
    back: float
    unit: str
    of: Callable[[Health], float | None]
    response: Response

    def present(self, value: float, before: bool) -> bool:
        """Whether the trouble is there, given whether it was."""
        at = self.back if before else self.limit
        return value < at if self.back > self.limit else value > at


def _free_GiB(health: Health) -> float | None:
    return None if health.disk_free_bytes is None else health.disk_free_bytes / 2**30


SELF_ALARMS: dict[str, SelfAlarm] = {
    "monitor/disk/low": SelfAlarm(
        "The monitor's disk is nearly full", Priority.HIGH, 2.0, 2.5, "GiB", _free_GiB,
        Response(
            cause="The record has grown, or something else fills the disk it lies on.",
            consequence="Once full nothing is stored; gateways keep what they can, and the rest is unseen.",
            corrective_action="Make room, or move the store's folder to a larger disk and start the monitor again.",
            time_to_respond_s=3600.0,
        ),
    ),
    "monitor/queue/long": SelfAlarm(
        "The monitor is slower than its lines", Priority.MEDIUM, 5000.0, 500.0, "", lambda h: float(h.queue),
        Response(
            cause="A slow disk, a busy machine, too many lines for one process, or a flood after an outage.",
            consequence="Alarms come late by as much as waits.",
            corrective_action="Wait if it caught up with an outage; else give lines to another monitor.",
            time_to_respond_s=900.0,
        ),
    ),
    "monitor/clock/stepped": SelfAlarm(
        "The monitor's clock was stepped", Priority.MEDIUM, 2.0, 1.0, "s", lambda h: abs(h.clock_step_s),
        Response(
            cause="Someone set the clock, or its time service corrected it at one stroke.",
            consequence="If it is wrong now, readings are refused as too early or too old after a minute; "
            "gateways keep them.",
            corrective_action="Compare the machine's clock with another; set it right and let it be kept by NTP.",
            time_to_respond_s=60.0,
        ),
    ),
    "monitor/messages/refused": SelfAlarm(
        "Many messages are refused", Priority.LOW, 30.0, 1.0, "/min", lambda h: h.refused_per_min,
        Response(
            cause="A gateway says what is no reading, speaks of unknown streams, or has a wrong clock.",
            consequence="What is refused is in no record: its metres may be unseen.",
            corrective_action="Look at the page Health: it names the newest example of each kind, and why.",
            time_to_respond_s=1800.0,
        ),
    ),
}  # fmt: skip
