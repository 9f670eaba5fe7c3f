"""Alarms on momentary events, which return by themselves after a time."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from monitor.core.alarms import AlarmEvent


@dataclass(slots=True)
class TimedAlarm:
    """One such alarm, active until `until_s`: `duration_s` after it happened last. None while it is not active."""

    name: ClassVar[str]
    duration_s: ClassVar[float]
    until_s: float | None = None

    def happen(self, t_s: float, value: float | None, line_metre: float) -> Iterator[AlarmEvent]:
        """Raise the alarm; one that is active stays so for longer."""
        yield from self.quiet(t_s)
        if self.until_s is None:
            yield AlarmEvent(
                known_s=t_s, seq=0, t_s=t_s, alarm=self.name, event="raised", value=value, line_metre=line_metre
            )
        self.until_s = t_s + self.duration_s

    def happen_again(self, t_s: float, line_metre: float) -> Iterator[AlarmEvent]:
        """Raise the alarm again; one that is active returns first, so that each time is reported."""
        if self.until_s is not None:
            yield AlarmEvent(known_s=t_s, seq=-1, t_s=t_s, alarm=self.name, event="returned")
        yield AlarmEvent(known_s=t_s, seq=0, t_s=t_s, alarm=self.name, event="raised", line_metre=line_metre)
        self.until_s = t_s + self.duration_s

    def quiet(self, upto_s: float) -> Iterator[AlarmEvent]:
        """Return the alarm if its time is over by then."""
        until_s = self.until_s
        if until_s is not None and until_s <= upto_s:
            self.until_s = None
            yield AlarmEvent(known_s=until_s, seq=-1, t_s=until_s, alarm=self.name, event="returned")

    def is_active_from(self, raised_s: float) -> None:
        """The record has it active since then: it returns when its time is over, if not later."""
        until_s = raised_s + self.duration_s
        self.until_s = max(until_s, self.until_s or until_s)
