"""The monitor's alarms on itself: status in, notes for the engines out until their alarms match."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.contract.messages import Health
from monitor.contract.selfwatch import SELF_ALARMS
from monitor.core.arrival import Note

AGAIN_MS = 60_000  # a note without effect is repeated no sooner


@dataclass(slots=True)
class SelfWatch:
    """Carries which alarms should be active: at first those that a former run left so."""

    present: dict[str, bool] = field(default_factory=dict)
    _noted: dict[str, tuple[bool, int]] = field(default_factory=dict)  # the newest note on each, and when, UTC ms

    def judge(self, health: Health, active: Mapping[str, bool]) -> list[Note]:
        """Notes on each alarm that does not match, given which are `active` in the engines.

        A note may get lost with the engine of its line; what is compared is not what was noted but what came of it.
        """
        notes = []
        for name, alarm in SELF_ALARMS.items():
            value, was = alarm.of(health), self.present.get(name, False)
            if value is None:
                continue
            now = self.present[name] = alarm.present(value, was)
            noted, noted_ms = self._noted.get(name, (was, health.t - AGAIN_MS))
            if now != active.get(name, False) and (now != noted or health.t - noted_ms >= AGAIN_MS):
                self._noted[name] = now, health.t
                notes.append(Note(health.t / 1e3, name, "raised" if now else "returned", value))
        return notes
