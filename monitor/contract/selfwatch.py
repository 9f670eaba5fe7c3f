"""Alarms of the monitor about itself: one table of alarms, each judged by the monitor's status."""

from collections.abc import Callable
from dataclasses import dataclass

from monitor.contract.config.line import Response
from monitor.contract.messages import Health
from monitor.contract.record import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class SelfAlarm:
    """Raised when `of` a health is beyond `limit`, returned when back at `back`; None is no information."""

    title: str
    priority: Priority
    limit: float
    back: float
    unit: str
    of: Callable[[Health], float | None]
    response: Response

    def present(self, value: float, before: bool) -> bool:
        """Whether the problem is present, given whether it was."""
        at = self.back if before else self.limit
        return value < at if self.back > self.limit else value > at


def _free_GiB(health: Health) -> float | None:
    return None if health.disk_free_bytes is None else health.disk_free_bytes / 2**30


SELF_ALARMS: dict[str, SelfAlarm] = {
    "monitor/disk/low": SelfAlarm(
        title="The monitor's disk is nearly full",
        priority=Priority.HIGH,
        limit=2.0,
        back=2.5,
        unit="GiB",
        of=_free_GiB,
        response=Response(
            cause="The record has grown, or something else fills its disk.",
            consequence="When the disk is full, storage stops. Gateways keep what they can; "
            "data beyond their outboxes are lost.",
            corrective_action="Make room, or move the store's folder to a larger disk and start the monitor again.",
            time_to_respond_s=3600.0,
        ),
    ),
    "monitor/line/suspended": SelfAlarm(
        title="A line is suspended",
        priority=Priority.HIGH,
        limit=1.0,
        back=0.5,
        unit="s",
        of=lambda h: h.suspended_s,
        response=Response(
            cause="The record of a line could not be read back, or its messages fail one after the other.",
            consequence="Nothing of that line is stored or judged; its gateways keep the data while they have space. "
            "The page Health names the line and the reason.",
            corrective_action="Watch the line by its own instruments. Keep the monitor's log and report the reason; "
            "with the monitors stopped, everymetre doctor finds damage. It is tried again every minute.",
            time_to_respond_s=900.0,
        ),
    ),
    "monitor/store/fault": SelfAlarm(
        title="The store could not be written",
        priority=Priority.HIGH,
        limit=5.0,
        back=1.0,
        unit="s",
        of=lambda h: h.store_fault_s,
        response=Response(
            cause="The disk is full or failed, the database server is away, or a table or permission has changed.",
            consequence="Nothing is stored or judged meanwhile, on any line of this monitor; gateways keep the data "
            "while they have space. Alarms of that time come late.",
            corrective_action="Find the reason on the page Health or in the monitor's log, and correct it: "
            "disk space, database server, network, permissions. If this alarm has returned, find out why it occurred.",
            time_to_respond_s=600.0,
        ),
    ),
    "monitor/queue/long": SelfAlarm(
        title="The monitor is slower than its lines",
        priority=Priority.MEDIUM,
        limit=5000.0,
        back=500.0,
        unit="",
        of=lambda h: float(h.queue),
        response=Response(
            cause="A slow disk, a busy machine, too many lines for one process, or a flood after an outage.",
            consequence="Alarms are late by the time that messages wait in the queue.",
            corrective_action="After an outage, wait until it has caught up; otherwise move lines to another monitor.",
            time_to_respond_s=900.0,
        ),
    ),
    "monitor/clock/stepped": SelfAlarm(
        title="The monitor's clock was stepped",
        priority=Priority.MEDIUM,
        limit=2.0,
        back=1.0,
        unit="s",
        of=lambda h: abs(h.clock_step_s),
        response=Response(
            cause="Someone set the clock, or its time service stepped it.",
            consequence="If it is wrong now, readings are rejected as too early or too old after a minute; "
            "gateways keep them.",
            corrective_action="Compare the machine's clock with another; correct it and enable NTP.",
            time_to_respond_s=60.0,
        ),
    ),
    "monitor/messages/refused": SelfAlarm(
        title="Many messages are rejected",
        priority=Priority.LOW,
        limit=30.0,
        back=1.0,
        unit="/min",
        of=lambda h: h.refused_per_min,
        response=Response(
            cause="A gateway sends invalid values or unknown streams, or its clock is wrong.",
            consequence="Rejected data are not stored; the metres they belong to may be unverified.",
            corrective_action="Open the page Health: it shows the newest example of each kind, and why.",
            time_to_respond_s=1800.0,
        ),
    ),
}
