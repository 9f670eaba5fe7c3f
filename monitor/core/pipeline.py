"""The engine of one line: decoded messages in, record out. The live monitor, the replay and the rehearsal all run it.

Invariant: the record does not depend on how arrivals are split across calls of `feed`. Decisions depend on the order
of arrivals and on stamps only, never on where a call ends: `T`, the time up to which the line's track is final,
advances arrival by arrival; a sample is `known` at the later of its stamp and the `T` at its arrival; and alarms get
events in the order in which they became known.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import InitVar, dataclass, field, replace
from types import MappingProxyType

import numpy as np

from monitor.contract.config.content import differences_of
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.messages import Action, DrumChange, LimitsStep, Notification, PayoffChange, StateChange
from monitor.contract.record import (
    SILENCE_ALARM,
    AlarmChange,
    Gap,
    LineNow,
    Output,
    Rejected,
    Splice,
    StateSpan,
)
from monitor.contract.selfwatch import SELF_ALARMS
from monitor.contract.topics import LIMITS, OPERATOR
from monitor.contract.units import convert
from monitor.core import dwell, manual_entries
from monitor.core.alarms import AlarmBook, AlarmEvent, Definition
from monitor.core.arrival import Block, LineArrival, Message, Note, Tick
from monitor.core.counter_alarm import CounterAlarm
from monitor.core.cure.stage import CureStage
from monitor.core.cure.stage import status_json as cure_status
from monitor.core.drums import Drums, NameAlarm
from monitor.core.dwell import DwellCheck
from monitor.core.events import CableNow, EventBook
from monitor.core.line_silence import LineSilence
from monitor.core.manual_entries import People
from monitor.core.message_order import Released, StreamOrder
from monitor.core.metre_rows import Rows
from monitor.core.revisions import NotAllowedError, Revisions, Turn
from monitor.core.state import STATES, StateTimeline
from monitor.core.stream import StreamFlow, tape_of
from monitor.core.track import PAST_S, Track

CLOCK_SPREAD_S = 5.0  # gateways' clocks may differ by this much before a silent counter is bridged too early
LABELS = {"revision", "title"}  # keys of a recipe that judge no cable


@dataclass(slots=True, kw_only=True)
class Pipeline:
    """Everything carried for one line. Pure: no clock, no input, no output but what is returned.

    `earlier` are recipes that were in force before, by name and revision. `core.snapshot` keeps the state as bytes.
    """

    line: Line
    recipes: Mapping[str, Recipe]
    earlier: InitVar[Mapping[tuple[str, int], Recipe]] = MappingProxyType({})
    revisions: Revisions = field(init=False)
    track: Track = field(init=False)
    states: StateTimeline = field(init=False)
    book: AlarmBook = field(init=False)
    event_book: EventBook = field(init=False)
    flows: dict[str, StreamFlow] = field(init=False)
    curing: CureStage = field(init=False)
    drums: Drums = field(init=False)
    rows: Rows = field(init=False)
    silence: LineSilence = field(init=False)
    counter_alarm: CounterAlarm = field(default_factory=CounterAlarm)
    people: People = field(default_factory=People)
    story: dict[str, StreamOrder] = field(default_factory=dict)
    dwells: list[DwellCheck] = field(default_factory=list)
    recipe: Recipe | None = None
    newest_s: float = -np.inf
    first_s: float | None = None
    seq: int = 0
    _turns: list[tuple[float, int, DrumChange | LimitsStep | Action | Splice]] = field(default_factory=list)
    _events: list[AlarmEvent] = field(default_factory=list)
    _holding: set[str] = field(default_factory=set)
    _worked_out: dict[str, list[StreamFlow]] = field(default_factory=dict)  # derived streams by what they come of
    _waits: tuple[float, float] = (0.0, 0.0)  # how long checks wait before they report, s and m

    def __post_init__(self, earlier: Mapping[tuple[str, int], Recipe]) -> None:
        self.revisions = Revisions(self.line, dict(self.recipes), dict(earlier))
        self.track = Track.of(self.line)
        self.states = StateTimeline(stopped_below_m_per_s=self.line.stopped_below_m_per_min / 60.0)
        self.book, self.event_book = AlarmBook(self.line.line), EventBook(self.line)
        self.flows = {s.path: StreamFlow.of(self.line, s) for s in self.line.stream}
        for flow in self.flows.values():
            flow.tape = tape_of(flow.settings, self.recipes.values())
        self.curing = CureStage(line=self.line)
        self.drums, self.rows, self.silence = Drums(line=self.line), Rows(self.line), LineSilence(self.line)
        self.link()

    def link(self) -> None:
        """Set what is another view of the state: the recipes in force, and derived streams by what they come of."""
        self.recipes = self.revisions.in_force
        self._worked_out = {}
        for flow in self.flows.values():
            if flow.settings.derived:
                self._worked_out.setdefault(flow.settings.derived.of, []).append(flow)
        self._define()  # a snapshot of an earlier version knows fewer alarms

    # ---- the two calls -----------------------------------------------------------------------------------

    def feed(self, arrivals: Sequence[LineArrival]) -> list[Output]:
        """Arrivals of this line in the order they came; returns what they added to the record."""
        out: list[Output] = []
        for arrival in arrivals:
            self.seq += 1
            if isinstance(arrival, Tick):
                self._pass_time(arrival.now_s)
            elif isinstance(arrival, Note):
                self._report(arrival.now_s, arrival.alarm, arrival.event, arrival.value)
            else:
                self._take(arrival, out)
        self._drain(out)
        return out

    def assume(self, drum: DrumChange, t_s: float) -> None:
        """A recording that begins in the middle: this drum was being wound at `t_s`."""
        self._turns.append((t_s, 0, drum))

    def order_of(self, path: str) -> StreamOrder:
        """The order of a stream that measures nothing: what the machine and people report."""
        return self.story.setdefault(path, StreamOrder(reorder_s=self.line.reorder_s))

    def report(self, event: AlarmEvent) -> None:
        """An event of an alarm that no stream carries; it takes effect with the next feed."""
        self._events.append(event)

    # ---- arrival by arrival --------------------------------------------------------------------------------

    def _take(self, message: Message, out: list[Output]) -> None:
        if self.silence.receive(message.received_s):
            self._report(message.received_s, SILENCE_ALARM, "returned")
        path = message.stream.path
        flow = self.flows.get(path)
        if message.stream.station == OPERATOR:
            released = [Released(message, self.track.end_s, self.seq)] if self.people.is_new(message) else []
        else:
            order = flow.order if flow else self.order_of(path)
            released = order.push(message, self.track.end_s, self.seq)
            if order.held:
                self._holding.add(path)
        self._deliver(path, flow, released, out)
        self._advance(message.end_s, out)

    def _pass_time(self, now_s: float) -> None:
        """Report a line that sends nothing. Its record waits: data buffered by its gateway may still arrive."""
        if self.silence.is_due(now_s):
            self.silence.silent = True
            self._report(now_s, SILENCE_ALARM, "raised")

    def _report(self, now_s: float, alarm: str, event: str, value: float | None = None) -> None:
        self._events.append(
            AlarmEvent(known_s=self.track.end_s, seq=self.seq, t_s=now_s, alarm=alarm, event=event, value=value)
        )

    def _advance(self, stamp_s: float, out: list[Output]) -> None:
        if self.first_s is None:
            self.first_s = stamp_s
        self.newest_s = max(self.newest_s, stamp_s)
        if self._holding:
            self._expire(out)
        must_s = self.newest_s - (self.line.reorder_s + self.line.counter.silent_after_s + CLOCK_SPREAD_S)
        if must_s > self.track.end_s and must_s >= self.first_s:
            self.track.extend(must_s)

    def _expire(self, out: list[Output]) -> None:
        for path in sorted(self._holding):
            flow = self.flows.get(path)
            order = flow.order if flow else self.story[path]
            released, holes = order.expire(self.newest_s, self.track.end_s)
            line = self.line.line
            out += [Gap(line=line, stream=path, start=h.start, first=h.first, last=h.last, t_s=h.t_s) for h in holes]
            self._deliver(path, flow, released, out)
            if not order.held:
                self._holding.discard(path)

    def _deliver(self, path: str, flow: StreamFlow | None, released: list[Released], out: list[Output]) -> None:
        for one in released:
            body = one.message.body
            if isinstance(body, Block):
                assert flow is not None
                if path == self.line.counter.stream:
                    self.track.add_counter(body.t_s, body.v)
                elif path == self.line.counter.speed:
                    self._speed(body, one.after_s)
                for each in (flow, *self._worked_out.get(path, ())):
                    each.pending.add(one)
            else:
                self._take_notification(one, body, out)

    def _speed(self, block: Block, after_s: float) -> None:
        v_m_per_s = convert(block.v, self.line.speed_unit, "m/s")
        good = ~np.isnan(v_m_per_s)
        self.track.add_speed(block.t_s[good], v_m_per_s[good])
        self.states.add_speed(np.maximum(block.t_s[good], after_s), v_m_per_s[good])

    def _take_notification(self, one: Released, body: Notification, out: list[Output]) -> None:
        effect_s = max(body.t / 1e3, one.after_s)
        if isinstance(body, StateChange):
            self.states.report(effect_s, body.state, body.reason)
        elif isinstance(body, PayoffChange):
            splice = Splice(
                line=self.line.line,
                position=one.message.stream.station,
                drum=body.drum,
                t_s=effect_s,
                line_metre=np.nan,
                left_m=body.left_m,
            )
            self._turns.append((effect_s, one.seq, splice))
        elif isinstance(body, DrumChange | LimitsStep) or body.action in manual_entries.NOTES:
            self._turns.append((effect_s, one.seq, body))
        elif body.action in manual_entries.OF_CABLE:
            out.append(manual_entries.OF_CABLE[body.action](self.line.line, body, self.recipes))
        else:
            self._events.append(manual_entries.alarm_response(one, body))

    def metre_at(self, t_s: float, station: str | None) -> float:
        """Line metre of the cable that is at a station at a time; at the take-up where no station is known."""
        place = self.line.stations.get(station or "")
        return float(self.track.at(t_s)) + self.line.counter_m - (place.middle_m if place else self.line.take_up_m)

    # ---- up to the end of the track ------------------------------------------------------------------------

    def _drain(self, out: list[Output]) -> None:
        """Everything that is known up to the end of the track, in stretches between changes of drum or limits."""
        end_s = self.track.end_s
        if end_s == -np.inf:
            self._apply(self._due(np.nextafter(end_s, np.inf)), out)  # what the monitor reports of itself
            return
        self._turns.sort(key=lambda turn: turn[:2])
        while self._turns and self._turns[0][0] <= end_s:
            effect_s, _, body = self._turns.pop(0)
            self._stretch(effect_s, effect_s, out)
            if isinstance(body, DrumChange):
                self._change_drum(effect_s, body, out)
            elif isinstance(body, Splice):
                out.append(replace(body, line_metre=self.metre_at(effect_s, body.position)))
            elif isinstance(body, Action):
                out.append(manual_entries.note(self.line.line, effect_s, self.metre_at(effect_s, body.station), body))
            else:
                self._limits(effect_s, body, out)
        self._stretch(np.nextafter(end_s, np.inf), end_s, out)
        out += self.rows.give(end_s, self.track, self.flows, self.curing, self.drums, self.recipes)
        self._forget()

    def _due(self, before_s: float) -> list[AlarmEvent]:
        due = [e for e in self._events if e.known_s < before_s]
        self._events = [e for e in self._events if e.known_s >= before_s]
        return due

    def _stretch(self, before_s: float, upto_s: float, out: list[Output]) -> None:
        self._states(upto_s, out)
        found = self._due(before_s)
        _sort_out(self.counter_alarm.flow(before_s, upto_s, self.track), found, out)
        found += self.drums.name_alarm.quiet(upto_s)
        for flow in self.flows.values():
            _sort_out(flow.flow(before_s, upto_s, self.track, self.states), found, out)
        for check in self.dwells:
            _sort_out(check.flow(before_s, self.track), found, out)
        heats = {path: flow.heat for path, flow in self.flows.items() if flow.heat is not None}
        _sort_out(self.curing.flow(before_s, self.track, heats, self.states), found, out)
        self._apply(found, out, upto_s)

    def _apply(self, found: Iterable[AlarmEvent], out: list[Output], upto_s: float = -np.inf) -> None:
        name, revision = (self.recipe.recipe, self.recipe.revision) if self.recipe else (None, None)
        cable = CableNow(self.line, self.track, self.states)
        for event in self.book.in_order(found, upto_s, self.event_book.answers):
            change = self.book.apply(event, name, revision)
            wound_m = self.metre_at(event.known_s, None) if event.known_s > -np.inf else np.nan
            if isinstance(change, AlarmChange):
                out.append(replace(change, filling=self.drums.filling_at(change.line_metre, wound_m)))
            elif change is not None:
                out.append(change)
            noted = self.event_book.note(event, self.book.alarms.get(event.alarm), cable)
            out += [replace(one, filling=self.drums.filling_at(one.start_m, wound_m)) for one in noted]

    def _states(self, upto_s: float, out: list[Output]) -> None:
        for i in self.states.settle(upto_s):
            t = self.states.t_s[i]
            state, reason = STATES[self.states.code[i]], self.states.reason[i]
            out.append(
                StateSpan(line=self.line.line, state=state, t_s=t, reason=reason, line_metre=float(self.track.at(t)))
            )

    # ---- drums and recipes -----------------------------------------------------------------------------------

    def _change_drum(self, t_s: float, change: DrumChange, out: list[Output]) -> None:
        """With no drum on the take-up a recipe is in force all the same, since cable in the line ends on the next drum:
        the one that the change names, else the one before.
        """
        is_named = change.drum is not None or bool(change.recipe)
        recipe = self.recipes.get(change.recipe) if is_named else self.recipe
        out += self.drums.rejected(change, t_s, recipe is not None or not is_named)
        if self.drums.is_on(change):
            return
        cut_m = self.metre_at(t_s, None)
        out += self.rows.give_drum(t_s, cut_m, self.track, self.flows, self.curing, self.drums, self.recipes)
        _sort_out(self.drums.change(change, recipe, t_s, cut_m), self._events, out)
        if recipe is not self.recipe:
            self.judge_by(recipe, t_s, cut_m, out)

    def _limits(self, t_s: float, step: LimitsStep, out: list[Output]) -> None:
        """A step of a change of limits; an approved one is in force at once, for cable still in the line too."""
        try:
            proposal, turn = self.revisions.take(step, t_s)
        except NotAllowedError as error:
            topic, why = f"*/{self.line.line}/{OPERATOR}/{LIMITS}", f"{step.by}: {error}"
            out.append(Rejected(kind="limits", topic=topic, why=why, received_s=t_s, line=self.line.line))
            return
        if proposal is not None:
            out.append(proposal)
        if turn is not None:
            cut_m = self.metre_at(t_s, None)
            out.append(turn.on_record(self.line.line, t_s, cut_m))
            if self.recipe is not None and self.recipe.recipe == turn.recipe.recipe:
                self.judge_by(turn.recipe, t_s, cut_m, out)

    def judge_by(self, recipe: Recipe | None, t_s: float, cut_m: float, out: list[Output]) -> None:
        """Judge cable at the take-up from `cut_m` on by another recipe; `out` gets what ends with the one before."""
        closing: list[AlarmEvent] = [*self.curing.judge_by(recipe, t_s, cut_m, self.track)]
        for flow in self.flows.values():
            _sort_out(flow.close(t_s, float(self.track.at(t_s)), recipe), closing, out)
            flow.judge_by(recipe)
        for check in self.dwells:
            _sort_out(check.close(t_s, self.track), closing, out)
        self._apply(closing, out)
        self.dwells = dwell.checks(recipe, self.line, self.dwells)
        self.rows.judge_by(self.recipe, recipe, t_s)
        self.recipe = recipe
        self._define()

    def _define(self) -> None:
        definitions = CounterAlarm.definitions(self.line) | NameAlarm.definitions()
        definitions |= {name: Definition(a.priority, a.limit, a.unit) for name, a in SELF_ALARMS.items()}
        definitions |= self.silence.definitions()
        for flow in self.flows.values():
            definitions |= flow.definitions()
        for check in self.dwells:
            definitions |= check.definitions()
        self.book.define(definitions | self.curing.definitions())
        waits = [flow.waits for flow in self.flows.values()] + [(0.0, check.dwell.on_delay_m) for check in self.dwells]
        self._waits = max(s for s, _ in waits), max(m for _, m in waits)

    def take_recipes(self, files: Mapping[str, Recipe], before: Mapping[str, Recipe], by: str) -> list[Output]:
        """The recipes of the files: of greater revisions than those in force, from the cable at the take-up on.

        `before` are those that were in force, which an engine that is new may have no more. A recipe that has no file
        any more stays for the drums that have it.
        """
        out: list[Output] = []
        t_s = self.track.end_s
        used = {span.recipe for span in self.drums.spans} | {self.recipe.recipe if self.recipe else None}
        self.revisions.take_files(files, used)
        for name in files if t_s > -np.inf else ():
            if name in before and self.recipes[name].revision > before[name].revision:
                self._take_file(Turn.from_file(before[name], self.recipes[name], by), t_s, out)
        self._define()
        return out

    def _take_file(self, turn: Turn, t_s: float, out: list[Output]) -> None:
        new, cut_m = turn.recipe, self.metre_at(t_s, None)
        out.append(turn.on_record(self.line.line, t_s, cut_m))
        if self.recipe is None or self.recipe.recipe != new.recipe or self.recipe is new:
            return
        if set(differences_of(self.recipe, new)) <= LABELS:
            self.recipe = new  # it judges as before: nothing ends
        else:
            self.judge_by(new, t_s, cut_m, out)

    def _forget(self) -> None:
        """Keep what cable still in the line needs."""
        self.track.forget_before(self.rows.needed_from_L_m, *self._waits)
        oldest_s = float(self.track.t_s[0])
        self.states.forget_before(min(oldest_s, self.track.end_s - PAST_S))
        self.rows.forget_before(oldest_s)
        for flow in self.flows.values():
            if flow.heat is not None:
                flow.heat.forget_before(oldest_s)

    # ---- now ---------------------------------------------------------------------------------------------------

    def now(self) -> LineNow:
        """The line as the record knows it at this moment."""
        end = self.track.end_s
        stamp = end if end > -np.inf else 0.0
        extra = {
            "t_s": stamp,  # to the bit
            "track": self.track.starts[0] if self.track.starts else None,
            "recipe": self.recipe.recipe if self.recipe else None,
            "dwell_s": {c.dwell.zone: c.newest_s for c in self.dwells if c.newest_s == c.newest_s},
            "cure": cure_status(self.curing),
            "late": {p: f.late for p, f in self.flows.items() if f.late},
            "newest": {p: f.newest for p, f in self.flows.items() if f.newest == f.newest},
            "newest_ms": {p: round(f.newest_s * 1e3) for p, f in self.flows.items() if f.newest == f.newest},
        }
        return LineNow(
            line=self.line.line,
            t_s=stamp,
            state=self.states.now,
            speed_m_per_s=self.track.speed_m_per_s,
            line_metre=self.track.now_m,
            drum=self.drums.on,
            extra=extra,
        )


def _sort_out(found: Iterable[AlarmEvent | Output], events: list[AlarmEvent], out: list[Output]) -> None:
    for one in found:
        if isinstance(one, AlarmEvent):
            events.append(one)
        else:
            out.append(one)
