"""Which line needs attention first, and why: active alarms by priority, then unacknowledged ones that returned."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.contract.reading import AlarmRow
from monitor.contract.record import AlarmState

PRIORITIES = ("high", "medium", "low")
ACTIVE = (AlarmState.UNACKNOWLEDGED.value, AlarmState.ACKNOWLEDGED.value)
STATES = (*ACTIVE, AlarmState.RETURNED.value)


@dataclass(frozen=True, slots=True)
class Need:
    """Alarms of one line by (priority, state); `rank` compares lines, the greatest first."""

    counts: Mapping[tuple[str, str], int]

    @property
    def rank(self) -> tuple[int, ...]:
        """Active alarms by priority, unacknowledged before acknowledged; ended ones decide only after all of those."""
        active = [self.counts.get((p, s), 0) for p in PRIORITIES for s in ACTIVE]
        return (*active, *(self.ended(p) for p in PRIORITIES))

    @property
    def why(self) -> str:
        """What the rank rests on, such as `1 high, 2 medium active; 3 ended, unacknowledged`; empty for no need."""
        parts = []
        waiting = [f"{n} {p}" for p in PRIORITIES if (n := self.counts.get((p, ACTIVE[0]), 0))]
        taken = [f"{n} {p}" for p in PRIORITIES if (n := self.counts.get((p, ACTIVE[1]), 0))]
        ended = sum(self.ended(p) for p in PRIORITIES)
        if waiting:
            parts.append(f"{', '.join(waiting)} active")
        if taken:
            parts.append(f"{', '.join(taken)} active, acknowledged")
        if ended:
            parts.append(f"{ended} ended, unacknowledged")
        return "; ".join(parts)

    def ended(self, priority: str) -> int:
        """Alarms of a priority that returned to normal before anyone acknowledged them."""
        return self.counts.get((priority, AlarmState.RETURNED.value), 0)


def need_of(alarms: Sequence[AlarmRow]) -> Need:
    """Counts of one line's alarms; shelved and suppressed ones need no attention."""
    return Need(Counter((a.priority, a.state) for a in alarms if a.state in STATES))


def by_need(alarms: Sequence[AlarmRow], lines: Sequence[str]) -> list[tuple[str, Need]]:
    """Lines that need someone, the most urgent first; equal ones as `lines` orders them."""
    found = [(name, need_of([a for a in alarms if a.line == name])) for name in lines]
    return sorted((one for one in found if any(one[1].rank)), key=lambda one: one[1].rank, reverse=True)
