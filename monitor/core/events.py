"""Events: alarms of one happening, put together as they are raised.

An alarm is a limit of one stream; an event is what happened: a thick place, a zone too cold, a stop. Which alarms
belong to which kind, and how near they must be, is the table of `contract.config.events`. The alarm's own life stays
that of `core.alarms`: an event follows from it, and an answer to an event is an answer to each of its alarms.

Everything here depends on the order in which alarms change and on stamps, so no cut of the arrivals shows.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from monitor.contract.config.events import EventKind
from monitor.contract.config.line import Line
from monitor.contract.record import AlarmState, EventMember, LineEvent, Priority
from monitor.core.alarms import Alarm, AlarmEvent
from monitor.core.state import STATES, StateTimeline
from monitor.core.stream import extents
from monitor.core.track import Track

WAITING_MOST = 300  # events of one line that wait for an answer; an older one asks no more
JOIN_WITHIN_M = 5.0  # of cable that an event has touched: ends are known to a metre or two
KEEP_M = 500.0  # an event that has ended and asks nothing is kept until the cable is so far beyond it
FAULTS_KEPT = 30  # of a series: the newest, for its spacing
SPACING_FAULTS = 4  # fewer have no spacing
SPACING_MIN_M = 0.3
SPACING_TOLERANCE_M = 0.1
SPACING_CHANCE = 0.01  # that as many faults at any places would fit as well

GRAVITY = list(Priority)
ENDS = ("returned", "suppressed")
WAKES = ("unshelve", "shelving ended", "suppression ended", "return to service")
QUIET = (AlarmState.ACKNOWLEDGED, AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
OF_CABLE_LEAVING = ("cure", "cooling")
RUNNING, STOPPED = STATES.index("running"), STATES.index("stopped")


@dataclass(frozen=True, slots=True)
class CableNow:
    """Where cable is and was: the line with its track and its states."""

    line: Line
    track: Track
    states: StateTimeline

    def metre(self, t_s: float, position_m: float) -> float | None:
        """Line metre of the cable at a place of the path; None before the counter was ever read."""
        if not len(self.track.t_s):
            return None
        return float(self.track.at(t_s)) + self.line.counter_m - position_m

    def oldest(self, t_s: float) -> float | None:
        """Line metre at the take-up."""
        return self.metre(t_s, self.line.take_up_m)

    def newest(self, t_s: float) -> float | None:
        """Line metre at the first station."""
        return self.metre(t_s, min(s.position_m for s in self.line.station))

    def stop_of(self, metre: float, upto_s: float) -> tuple[float, float, float] | None:
        """The newest stop, ramps included, in which cable was in the line, as far as known by a time.

        Its start, and the first and last line metre that were in the line.
        """
        for start_s, end_s in reversed(stops(self.states, upto_s)):
            first_m, last_m = self.oldest(start_s), self.newest(end_s)
            if first_m is not None and last_m is not None and first_m <= metre <= last_m:
                return start_s, first_m, last_m
        return None


def stops(states: StateTimeline, upto_s: float) -> list[tuple[float, float]]:
    """Spans from leaving "running" to coming back to it in which the line stood; the last may go on at `upto_s`."""
    found: list[tuple[float, float]] = []
    start_s, stood = np.inf, False
    for t_s, code in zip(states.t_s, states.code, strict=True):
        if t_s > upto_s:
            break
        if code == RUNNING:
            if stood:
                found.append((start_s, t_s))
            start_s, stood = np.inf, False
        else:
            start_s, stood = min(start_s, t_s), stood or code == STOPPED
    return [*found, (start_s, upto_s)] if stood else found


# ---- state -----------------------------------------------------------------------------------------------------------


@dataclass(slots=True, kw_only=True)
class OpenEvent:
    """An event that alarms may still join, or that waits for an answer; fields as in `LineEvent`."""

    key: str
    kind: str
    start_s: float
    changed_s: float
    end_s: float | None = None
    members: list[EventMember] = field(default_factory=list)
    first_m: float | None = None
    last_m: float | None = None
    touched_from_m: float | None = None
    touched_to_m: float | None = None
    faults: int = 0
    faults_m: list[float] = field(default_factory=list)
    answered_by: str = ""
    answered_s: float | None = None

    @classmethod
    def of(cls, event: LineEvent) -> "OpenEvent":
        """One that is on record."""
        return cls(
            key=event.event, kind=event.kind, start_s=event.start_s, end_s=event.end_s, changed_s=event.changed_s,
            members=list(event.members), first_m=event.start_m, last_m=event.end_m, touched_from_m=event.touched_from_m,
            touched_to_m=event.touched_to_m, faults=event.faults, faults_m=list(event.faults_m),
            answered_by=event.answered_by, answered_s=event.answered_s,
        )  # fmt: skip

    @property
    def asks(self) -> bool:
        return any(m.asks for m in self.members)

    @property
    def active(self) -> bool:
        return any(m.active for m in self.members)

    @property
    def gravity(self) -> int:
        """Of the gravest member; below all where there is none."""
        return max((GRAVITY.index(m.priority) for m in self.members), default=-1)

    def member(self, alarm: str) -> EventMember | None:
        return next((m for m in self.members if m.alarm == alarm), None)

    def put(self, member: EventMember) -> None:
        """A member as it is now."""
        others = [m.alarm for m in self.members]
        if member.alarm in others:
            self.members[others.index(member.alarm)] = member
        else:
            self.members.append(member)

    def add_metre(self, metre: float) -> None:
        self.first_m = metre if self.first_m is None else min(self.first_m, metre)
        self.last_m = metre if self.last_m is None else max(self.last_m, metre)

    def add_touched(self, from_m: float | None, to_m: float | None) -> None:
        if from_m is not None and to_m is not None:
            self.touched_from_m = from_m if self.touched_from_m is None else min(self.touched_from_m, from_m)
            self.touched_to_m = to_m if self.touched_to_m is None else max(self.touched_to_m, to_m)

    def add_fault(self, metre: float) -> None:
        self.faults += 1
        self.faults_m = [*self.faults_m, metre][-FAULTS_KEPT:]

    def on_record(self, line: str) -> LineEvent:
        """As the record keeps it."""
        return LineEvent(
            line=line, event=self.key, kind=self.kind, start_s=self.start_s, end_s=self.end_s,
            changed_s=self.changed_s, start_m=self.first_m, end_m=self.last_m, touched_from_m=self.touched_from_m,
            touched_to_m=self.touched_to_m,
            members=tuple(self.members), faults=self.faults, faults_m=tuple(self.faults_m),
            spacing_m=spacing_m(self.faults_m), answered_by=self.answered_by, answered_s=self.answered_s,
        )  # fmt: skip


@dataclass(slots=True)
class EventBook:
    """The events of a line. `note` takes alarms as they change and returns what events became."""

    line: Line
    events: list[OpenEvent] = field(default_factory=list)

    def go_on(self, on_record: Sequence[LineEvent]) -> None:
        """Take events as the record has them."""
        self.events = [OpenEvent.of(event) for event in on_record]

    def answers(self, event: AlarmEvent) -> list[AlarmEvent]:
        """An answer to an event as answers to its alarms; any other event of an alarm as it is."""
        if not event.of_event:
            return [event]
        named = next((e for e in self.events if e.key == event.of_event), None)
        members = named.members if named else []
        return [replace(event, alarm=m.alarm, occurrence_s=m.occurrence_s) for m in members]

    def note(self, event: AlarmEvent, alarm: Alarm | None, cable: CableNow) -> Iterator[LineEvent]:
        """An event of an alarm that has been applied: `alarm` is as it is now."""
        if alarm is None:
            return
        if event.event == "raised":
            touched = [self._raised(event, alarm, cable)]
        else:
            touched = [e for e in self.events if self._changed(e, event, alarm, cable)]
        for one in touched:
            one.changed_s = max(event.t_s, event.known_s)
            yield one.on_record(self.line.line)
        yield from self._forget(event.known_s, cable)

    # ---- an alarm is raised ------------------------------------------------------------------------------------

    def _raised(self, event: AlarmEvent, alarm: Alarm, cable: CableNow) -> OpenEvent:
        one, kind = self._place(event, cable)
        priority = alarm.definition.priority
        asks_again = one.asks or not one.active or GRAVITY.index(priority) > one.gravity
        asks = asks_again and alarm.state is AlarmState.UNACKNOWLEDGED
        before = one.member(event.alarm)
        one.put(
            EventMember(
                alarm=event.alarm, occurrence_s=event.t_s, priority=priority,
                raised=before.raised + 1 if before else 1, asks=asks,
            )
        )  # fmt: skip
        if asks:
            one.answered_by, one.answered_s = "", None
        one.kind, one.end_s = kind.name, None
        self._touch(one, event, cable)
        return one

    def _place(self, event: AlarmEvent, cable: CableNow) -> tuple[OpenEvent, EventKind]:
        """The event that an alarm belongs to, a new one where it begins, and its kind."""
        kinds, newest = self.line.event_kinds, sorted(self.events, key=_age, reverse=True)
        for kind in (k for k in kinds if k.is_effect(event.alarm)):
            for one in (e for e in newest if e.kind == kind.name):
                if self._is_effect_of(one, kind, event):
                    return one, kind
            if kind.same == "stop" and (stop := self._stop(kind, event, cable)) is not None:
                return stop, kind
        kind = next(k for k in kinds if k.is_cause(event.alarm))
        for one in newest:
            if one.kind == kind.name and self._is_near(kind, one, event, cable):
                return one, kind
        for one in newest:
            if self._is_consequence(one, kind, event, cable):
                return one, kind
        return self._begin(f"{event.alarm}@{round(event.t_s * 1e3)}", kind, event.t_s), kind

    def _is_effect_of(self, one: OpenEvent, kind: EventKind, event: AlarmEvent) -> bool:
        """Whether an alarm is about cable that an event has touched, or comes while the whole line is silent.

        A line's silence begins with its last message, before it is noticed; what was missing by then has its own cause.
        """
        if kind.same != "line":
            return _has_touched(one, kind, event.line_metre)
        began_s = one.start_s - (self.line.silence.after_s if self.line.silence else 0.0)
        return began_s <= event.t_s <= (np.inf if one.end_s is None else one.end_s)

    def _stop(self, kind: EventKind, event: AlarmEvent, cable: CableNow) -> OpenEvent | None:
        """The event of the stop in which the cable of an alarm was in the line; with its first alarm it begins."""
        if event.line_metre is None:
            return None
        found = cable.stop_of(event.line_metre, event.known_s)
        if found is None:
            return None
        start_s, from_m, to_m = found
        of_stop = (e for e in sorted(self.events, key=_age) if self._is_of_stop(e, kind, found))
        one = next(of_stop, None)
        if one is None:
            one = self._begin(f"stop@{round(start_s * 1e3)}", kind, start_s)
        one.start_s = min(one.start_s, start_s)
        one.add_touched(from_m, to_m)
        return one

    @staticmethod
    def _is_of_stop(one: OpenEvent, kind: EventKind, stop: tuple[float, float, float]) -> bool:
        """Whether an event is of a stop, or was made of its effects alone before the line had stopped."""
        start_s, from_m, to_m = stop
        if one.key == f"stop@{round(start_s * 1e3)}":
            return True
        began = one.start_s >= start_s and one.first_m is not None and from_m <= one.first_m <= to_m
        return began and all(kind.is_effect(m.alarm) for m in one.members)

    def _begin(self, key: str, kind: EventKind, start_s: float) -> OpenEvent:
        one = OpenEvent(key=key, kind=kind.name, start_s=start_s, changed_s=start_s)
        self.events.append(one)
        return one

    def _is_near(self, kind: EventKind, one: OpenEvent, event: AlarmEvent, cable: CableNow) -> bool:
        """Whether a further cause of an event's kind is of the same happening."""
        causes = [m.alarm for m in one.members if kind.is_cause(m.alarm)]
        if kind.same == "station" and _station(event.alarm) not in map(_station, causes):
            return False
        if kind.same == "stream" and _path(event.alarm) not in map(_path, causes):
            return False
        if kind.guard_s is not None:
            return one.end_s is None or event.known_s - one.end_s <= kind.guard_s
        metre, guard_m = event.line_metre, kind.guard_m or 0.0
        if kind.alone_m is not None and {*map(_path, causes)} == {_path(event.alarm)} and self._has_others(kind, event):
            guard_m = kind.alone_m
        if metre is None or one.first_m is None or one.last_m is None:
            return False
        now = [self._passing(m.alarm, event, cable) for m in one.members if m.active]
        last_m = max([one.last_m, *(m for m in now if m is not None)])
        return one.first_m - guard_m <= metre <= last_m + guard_m

    def _has_others(self, kind: EventKind, event: AlarmEvent) -> bool:
        """Whether further streams of the line could have raised the same alarm of this kind."""
        check = event.alarm.rpartition("/")[2]
        return sum(kind.is_cause(f"{s.path}/{check}") for s in self.line.stream) > 1

    def _is_consequence(self, one: OpenEvent, kind: EventKind, event: AlarmEvent, cable: CableNow) -> bool:
        """Whether an event so far is made of effects of this kind alone, on cable that is in the line now."""
        if not self._kind(one.kind).consequence or not all(kind.is_effect(m.alarm) for m in one.members):
            return False
        if one.first_m is None or one.last_m is None:
            return False
        oldest, newest = cable.oldest(event.known_s), cable.newest(event.known_s)
        if oldest is None or newest is None:
            return False
        return one.first_m <= newest and (one.active or one.last_m >= oldest - JOIN_WITHIN_M)

    # ---- metres ------------------------------------------------------------------------------------------------

    def _touch(self, one: OpenEvent, event: AlarmEvent, cable: CableNow) -> None:
        """Metres that an event is about, and the cable that was in the line."""
        at_s = min(event.t_s, event.known_s)
        kind = self._kind(one.kind)
        if kind.effects and kind.same != "stop":
            one.add_touched(cable.oldest(at_s), cable.newest(at_s))
        if event.event in ENDS:
            metre = self._passing(event.alarm, event, cable) if one.last_m is not None else None
        else:
            metre = event.line_metre
            if metre is not None and self._is_of_events(event.alarm):
                one.add_fault(metre)
        if metre is not None:
            one.add_metre(metre)

    def _passing(self, alarm: str, event: AlarmEvent, cable: CableNow) -> float | None:
        """Line metre at the place where an alarm's stretch of cable grows; None for one about moments."""
        at_s = min(event.t_s, event.known_s)
        settings = self.line.streams.get(_path(alarm))
        if settings is not None:
            return None if settings.kind == "events" else cable.metre(at_s, extents(self.line, settings)[0].start_m)
        zone_ends = [z.end_m for z in self.line.zone if alarm.startswith(f"{z.name}/dwell/")]
        if zone_ends:
            return cable.metre(at_s, max(zone_ends))
        return cable.oldest(at_s) if _station(alarm) in OF_CABLE_LEAVING else None

    def _is_of_events(self, alarm: str) -> bool:
        settings = self.line.streams.get(_path(alarm))
        return settings is not None and settings.kind == "events" and not alarm.endswith("/missing")

    # ---- an alarm changes otherwise ----------------------------------------------------------------------------

    def _changed(self, one: OpenEvent, event: AlarmEvent, alarm: Alarm, cable: CableNow) -> bool:
        """Follow a change of a member; whether the record of the event is another now."""
        member = one.member(event.alarm)
        if member is None or event.of_event not in ("", one.key):
            return False
        is_newest = round(member.occurrence_s * 1e3) == round(alarm.occurrence_s * 1e3)  # as the record keeps it
        if event.event == "again" and is_newest and member.active:
            self._touch(one, event, cable)
            return True
        asked, after = one.asks, member
        if event.event in ENDS and is_newest and member.active:
            after = replace(after, active=False)
            self._touch(one, event, cable)
        if event.of_event or (is_newest and _settles(event, alarm)):
            after = replace(after, asks=False)
        elif is_newest and event.event in WAKES and alarm.state is AlarmState.UNACKNOWLEDGED:
            after = replace(after, asks=True)
        if after == member:
            return False
        one.put(after)
        if member.active and not one.active:
            one.end_s = max(event.t_s, one.start_s)
        if one.asks != asked:
            one.answered_by, one.answered_s = ("", None) if one.asks or not event.by else (event.by, event.t_s)
        return True

    # ---- forgetting --------------------------------------------------------------------------------------------

    def _forget(self, known_s: float, cable: CableNow) -> Iterator[LineEvent]:
        """Drop what no alarm can join and nobody is asked about; of what waits for an answer the newest are kept."""
        self.events = [e for e in self.events if e.active or e.asks or not self._is_over(e, known_s, cable)]
        waiting = sorted((e for e in self.events if e.asks and not e.active), key=_age)
        for one in waiting[: max(0, len(waiting) - WAITING_MOST)]:
            one.members = [replace(m, asks=False) for m in one.members]
            self.events.remove(one)
            yield one.on_record(self.line.line)

    def _is_over(self, one: OpenEvent, known_s: float, cable: CableNow) -> bool:
        kind = self._kind(one.kind)
        if kind.guard_s is not None and one.end_s is not None and known_s - one.end_s <= kind.guard_s:
            return False
        reach = [m for m in (one.last_m, one.touched_to_m) if m is not None]
        oldest = cable.oldest(known_s)
        return not reach or oldest is None or oldest > max(reach) + (kind.guard_m or 0.0) + KEEP_M

    def _kind(self, name: str) -> EventKind:
        """A kind by its name; the last, which names every alarm, for one that the line's file no longer has."""
        kinds = self.line.event_kinds
        return next((k for k in kinds if k.name == name), kinds[-1])


def _age(one: OpenEvent) -> tuple[int, str]:
    """Order of events, the same for those that are read from the record."""
    return round(one.start_s * 1e3), one.key


def _station(alarm: str) -> str:
    return alarm.partition("/")[0]


def _path(alarm: str) -> str:
    return alarm.rpartition("/")[0]


def _has_touched(one: OpenEvent, kind: EventKind, metre: float | None) -> bool:
    """Whether cable was in the line while an event went on."""
    if metre is None or one.touched_from_m is None or one.touched_to_m is None:
        return False
    goes_on = one.active and kind.same != "stop"
    return one.touched_from_m - JOIN_WITHIN_M <= metre <= (np.inf if goes_on else one.touched_to_m + JOIN_WITHIN_M)


def _settles(event: AlarmEvent, alarm: Alarm) -> bool:
    """Whether after this nobody is to answer an alarm."""
    return alarm.state in QUIET or (alarm.state is AlarmState.NORMAL and event.event != "returned")


def spacing_m(metres: Sequence[float]) -> float | None:
    """Distance that all places [m] have in common, m; None where they have none that chance would not give.

    Places at whole multiples of one distance, some missing, as a mark on a rotating part makes them. The distance
    sought is the smallest gap, or a half or third of it, refined by least squares through the first place.
    """
    x = np.unique(np.asarray(metres, dtype=np.float64))
    if len(x) < SPACING_FAULTS:
        return None
    gaps = np.diff(x)
    smallest = float(gaps.min())
    for parts in (1, 2, 3):
        step = smallest / parts
        if step < SPACING_MIN_M:
            return None
        turns = np.cumsum(np.round(gaps / step))
        step = float(turns @ (x[1:] - x[0]) / (turns @ turns))
        off = np.abs(gaps - np.round(gaps / step) * step)
        chance = (2 * SPACING_TOLERANCE_M / step) ** (len(gaps) - 1)
        if off.max() <= SPACING_TOLERANCE_M and chance <= SPACING_CHANCE:
            return round(step, 3)
    return None
