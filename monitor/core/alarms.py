"""States of an alarm: one literal table of ISA-18.2 states and events (from memory; alarms here do not latch)."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

from monitor.contract.record import AlarmChange, AlarmOccurrence, AlarmState, Priority

NORMAL = AlarmState.NORMAL
UNACKNOWLEDGED = AlarmState.UNACKNOWLEDGED
ACKNOWLEDGED = AlarmState.ACKNOWLEDGED
RETURNED = AlarmState.RETURNED
SHELVED = AlarmState.SHELVED
SUPPRESSED = AlarmState.SUPPRESSED
OUT_OF_SERVICE = AlarmState.OUT_OF_SERVICE

# (state, event) -> state, or (state where the condition is active, state where it is not).
# Unlisted pairs change nothing.
TABLE: dict[tuple[AlarmState, str], AlarmState | tuple[AlarmState, AlarmState]] = {
    (NORMAL, "raised"): UNACKNOWLEDGED,
    (NORMAL, "shelve"): SHELVED,
    (NORMAL, "suppressed"): SUPPRESSED,
    (NORMAL, "take out of service"): OUT_OF_SERVICE,
    (UNACKNOWLEDGED, "acknowledge"): ACKNOWLEDGED,
    (UNACKNOWLEDGED, "returned"): RETURNED,
    (UNACKNOWLEDGED, "shelve"): SHELVED,
    (UNACKNOWLEDGED, "suppressed"): SUPPRESSED,
    (UNACKNOWLEDGED, "take out of service"): OUT_OF_SERVICE,
    (ACKNOWLEDGED, "returned"): NORMAL,
    (ACKNOWLEDGED, "shelve"): SHELVED,
    (ACKNOWLEDGED, "suppressed"): SUPPRESSED,
    (ACKNOWLEDGED, "take out of service"): OUT_OF_SERVICE,
    (RETURNED, "acknowledge"): NORMAL,
    (RETURNED, "raised"): UNACKNOWLEDGED,
    (RETURNED, "shelve"): SHELVED,
    (RETURNED, "suppressed"): SUPPRESSED,
    (RETURNED, "take out of service"): OUT_OF_SERVICE,
    (SHELVED, "unshelve"): (UNACKNOWLEDGED, NORMAL),
    (SHELVED, "shelving ended"): (UNACKNOWLEDGED, NORMAL),
    (SHELVED, "take out of service"): OUT_OF_SERVICE,
    (SUPPRESSED, "suppression ended"): (UNACKNOWLEDGED, NORMAL),
    (SUPPRESSED, "shelve"): SHELVED,
    (SUPPRESSED, "take out of service"): OUT_OF_SERVICE,
    (OUT_OF_SERVICE, "return to service"): (UNACKNOWLEDGED, NORMAL),
}
EVENTS = tuple(dict.fromkeys(event for _, event in TABLE))


def next_state(state: AlarmState, event: str, active: bool) -> AlarmState:
    """State after an event; `active` says whether the condition is present now."""
    to = TABLE.get((state, event), state)
    return to if isinstance(to, AlarmState) else to[0 if active else 1]


@dataclass(frozen=True, slots=True, order=True, kw_only=True)
class AlarmEvent:
    """An event that may change an alarm, ordered by when it became known."""

    known_s: float
    seq: int
    t_s: float
    alarm: str
    event: str = field(compare=False)
    occurrence_s: float | None = field(default=None, compare=False)
    value: float | None = field(default=None, compare=False)
    line_metre: float | None = field(default=None, compare=False)
    by: str = field(default="", compare=False)
    reason: str = field(default="", compare=False)
    shelve_for_s: float | None = field(default=None, compare=False)
    of_event: str = field(default="", compare=False)  # answered as a whole: its key


@dataclass(frozen=True, slots=True)
class Definition:
    """Fixed properties of an alarm."""

    priority: Priority
    limit: float | None
    unit: str


@dataclass(slots=True, kw_only=True)
class Alarm:
    """Present status of one alarm: its state, whether its condition is present, and its newest activation."""

    definition: Definition
    state: AlarmState = NORMAL
    active: bool = False
    occurrence_s: float = 0.0
    value: float | None = None
    line_metre: float | None = None
    until_s: float | None = None


@dataclass(slots=True)
class AlarmBook:
    """All alarms of a line. Events must come in their order; `apply` returns the changes they made."""

    line: str
    alarms: dict[str, Alarm] = field(default_factory=dict)

    def define(self, definitions: dict[str, Definition]) -> None:
        """Set the fixed properties of alarms; existing ones keep their state."""
        for name, definition in definitions.items():
            if name in self.alarms:
                self.alarms[name].definition = definition
            else:
                self.alarms[name] = Alarm(definition=definition)

    def shelving_ends(self, upto_s: float) -> list[AlarmEvent]:
        """Events of shelving times that are over at `upto_s`, in their order."""
        ends = [
            AlarmEvent(known_s=alarm.until_s, seq=-1, t_s=alarm.until_s, alarm=name, event="shelving ended")
            for name, alarm in self.alarms.items()
            if alarm.state is SHELVED and alarm.until_s is not None and alarm.until_s <= upto_s
        ]
        return sorted(ends)

    def in_order(
        self, events: Iterable[AlarmEvent], upto_s: float, answers: Callable[[AlarmEvent], list[AlarmEvent]]
    ) -> Iterator[AlarmEvent]:
        """Events in their order, with the ends of shelving that fall between them, or by `upto_s`; apply each at once.

        `answers` gives those of an answer to several alarms, as it is when its turn comes.
        """
        for event in sorted(events):
            yield from self.shelving_ends(event.known_s)
            yield from answers(event)
        yield from self.shelving_ends(upto_s)

    def apply(
        self, event: AlarmEvent, recipe: str | None, revision: int | None
    ) -> AlarmChange | AlarmOccurrence | None:
        """One event; None where it changed nothing (unknown alarm, unlisted event, response to another occurrence)."""
        alarm = self.alarms.get(event.alarm)
        if alarm is None or self._answers_another(alarm, event):
            return None
        self._note_condition(alarm, event)
        before, after = alarm.state, next_state(alarm.state, event.event, alarm.active)
        if before is after:
            return self._occurrence(event.alarm, alarm) if event.event == "raised" else None
        alarm.state = after
        shelved_s = event.shelve_for_s if after is SHELVED else None
        alarm.until_s = None if shelved_s is None else event.known_s + shelved_s
        return AlarmChange(
            line=self.line, alarm=event.alarm, occurrence_s=alarm.occurrence_s, t_s=event.t_s, event=event.event,
            before=before, after=after, priority=alarm.definition.priority, value=alarm.value,
            limit=alarm.definition.limit, unit=alarm.definition.unit, line_metre=alarm.line_metre, recipe=recipe,
            revision=revision, by=event.by, reason=event.reason, until_s=alarm.until_s,
        )  # fmt: skip

    def _occurrence(self, name: str, alarm: Alarm) -> AlarmOccurrence:
        return AlarmOccurrence(
            line=self.line, alarm=name, occurrence_s=alarm.occurrence_s, value=alarm.value, line_metre=alarm.line_metre
        )

    @staticmethod
    def _answers_another(alarm: Alarm, event: AlarmEvent) -> bool:
        answer = event.event in ("acknowledge", "shelve")
        named = event.occurrence_s is not None
        return answer and named and abs((event.occurrence_s or 0.0) - alarm.occurrence_s) >= 0.001

    @staticmethod
    def _note_condition(alarm: Alarm, event: AlarmEvent) -> None:
        if event.event == "raised":
            alarm.active = True
            alarm.occurrence_s = event.t_s
            alarm.value, alarm.line_metre = event.value, event.line_metre
        elif event.event in ("returned", "suppressed"):
            alarm.active = False
