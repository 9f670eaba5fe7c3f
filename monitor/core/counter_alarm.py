"""The alarm on faults of the metre counter: a jump, a slip, a reset."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from monitor.contract.config.line import Line
from monitor.contract.record import CounterFault, Priority
from monitor.core.alarms import AlarmEvent, Definition
from monitor.core.timed_alarm import TimedAlarm
from monitor.core.track import Track

COUNTER_ALARM = "line/counter/fault"


@dataclass(slots=True)
class CounterAlarm(TimedAlarm):
    """Raised by a fault that the track found, and returned half a minute after the last, or after a slip ended."""

    name: ClassVar[str] = COUNTER_ALARM
    duration_s: ClassVar[float] = 30.0

    @classmethod
    def definitions(cls, line: Line) -> dict[str, Definition]:
        """It has the priority of the counter's stream."""
        settings = line.streams.get(line.counter.stream)
        return {cls.name: Definition(settings.priority if settings else Priority.HIGH, None, "m")}

    def flow(self, before_s: float, upto_s: float, track: Track) -> Iterator[AlarmEvent | CounterFault]:
        """Take the track's faults before a time; then return the alarm where none came until `upto_s`."""
        if track.faults or track.slips:
            faults = [f for f in track.faults if f.t_s < before_s]
            slips = [slip for slip in track.slips if slip[0] < before_s]
            track.faults, track.slips = track.faults[len(faults) :], track.slips[len(slips) :]
            yield from faults
            for t_s, reading_m, L_m in sorted([(f.t_s, f.reading_m, f.line_metre) for f in faults] + slips):
                yield from self.happen(t_s, reading_m, L_m)
        yield from self.quiet(upto_s)
