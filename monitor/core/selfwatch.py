"""The monitor's alarms on itself: health in, notes for the engine out, each change once."""

from dataclasses import dataclass, field

from monitor.contract.messages import Health
from monitor.contract.selfwatch import SELF_ALARMS
from monitor.core.arrival import Note


@dataclass(slots=True)
class SelfWatch:
    """Carries which alarms are present: at first those that a former run left raised."""

    present: dict[str, bool] = field(default_factory=dict)

    def judge(self, health: Health) -> list[Note]:
        """Notes on what has changed."""
        notes = []
        for name, alarm in SELF_ALARMS.items():
            value, was = alarm.of(health), self.present.get(name, False)
            if value is None:
                continue
            now = alarm.present(value, was)
            if now != was:
                self.present[name] = now
                notes.append(Note(health.t / 1e3, name, "raised" if now else "returned", value))
        return notes
