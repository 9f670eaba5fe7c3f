"""Who is notified of an unacknowledged alarm, and when: at once, and step by step while nobody responds.

Pure: reports of alarms and the time come in, notices come out. Priority, line and shift choose among the contacts.
"""

from collections.abc import Callable, Iterable, Sequence
from math import inf

import msgspec

from monitor.contract.config.works import Contact
from monitor.contract.messages import AlarmReport

SETTLE_S = 3.0  # an alarm that is acknowledged or returns sooner notifies nobody
RETRY_S = 60.0  # after nobody was reached
UNACKNOWLEDGED = "unacknowledged"


class Waiting(msgspec.Struct, kw_only=True):
    """An alarm that nobody has responded to. `step` is the next; it is due at `due_s` (UTC s)."""

    line: str
    report: AlarmReport
    respond_s: float
    due_s: float
    step: int = 0

    @property
    def key(self) -> tuple[str, str]:
        return self.line, self.report.alarm


class Notice(msgspec.Struct, frozen=True, kw_only=True):
    """What one contact is to be sent about an alarm; `step` 0 is the first notification."""

    contact: str
    line: str
    report: AlarmReport
    step: int


class Escalation:
    """Alarms that wait for a response. `shift_at` names the shift at a time (UTC s); None without shifts."""

    def __init__(
        self, contacts: Sequence[Contact], shift_at: Callable[[float], str | None], waiting: Iterable[Waiting] = ()
    ) -> None:
        self.contacts = list(contacts)
        self.shift_at = shift_at
        self._waiting = {one.key: one for one in waiting}

    @property
    def waiting(self) -> list[Waiting]:
        return list(self._waiting.values())

    def report(self, line: str, report: AlarmReport, respond_s: float, now_s: float) -> None:
        """Take one change of an alarm; `respond_s` is the time that its recipe or line gives people to respond."""
        known = self._waiting.get((line, report.alarm))
        if report.state != UNACKNOWLEDGED:
            self._waiting.pop((line, report.alarm), None)
        elif known is None or known.report.occurrence != report.occurrence:
            found = Waiting(line=line, report=report, respond_s=respond_s, due_s=now_s + SETTLE_S)
            self._waiting[found.key] = found

    def due(self, now_s: float) -> list[list[Notice]]:
        """Notices that are due, those of one alarm and step together."""
        due = [self._next(one, now_s) for one in self._waiting.values() if one.due_s <= now_s]
        return [notices for notices in due if notices]

    def _next(self, one: Waiting, now_s: float) -> list[Notice]:
        """Notices of the next step that has somebody to notify now."""
        steps = {c.step for c in self.contacts}
        while one.step <= max(steps, default=-1):
            step = one.step
            one.step, one.due_s = step + 1, now_s + one.respond_s
            notices = [
                Notice(contact=c.name, line=one.line, report=one.report, step=step)
                for c in self.contacts
                if c.step == step and self._concerns(c, one, now_s)
            ]
            if notices:
                return notices
        one.due_s = inf
        return []

    def _concerns(self, contact: Contact, one: Waiting, now_s: float) -> bool:
        return (
            one.report.priority in contact.priorities
            and (not contact.lines or one.line in contact.lines)
            and (not contact.shifts or self.shift_at(now_s) in contact.shifts)
        )

    def not_reached(self, notices: Sequence[Notice], now_s: float) -> bool:
        """None of these contacts could be reached: the next step is due at once.

        True where there is no further step: all of them are tried again after `RETRY_S`.
        """
        first = notices[0]
        one = self._waiting.get((first.line, first.report.alarm))
        if one is None or one.report.occurrence != first.report.occurrence:
            return False
        later = {c.step for c in self.contacts if c.step >= one.step and self._concerns(c, one, now_s)}
        if later:
            one.due_s = now_s
        else:
            one.step, one.due_s = 0, now_s + RETRY_S
        return not later
