"""The engine of one line: decoded messages in, record out. The live monitor, the replay and the rehearsal all run it.

Law: however the arrivals are cut into calls of `feed`, the record is the same. It holds because whatever is decided
depends on the order of arrivals and on stamps, never on where a call ends: `T`, the time up to which the line's track
is final, is moved arrival by arrival; a sample is `known` at the later of its stamp and the `T` it met on arrival;
and alarms see events in the order in which they became known.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import InitVar, dataclass, field, replace
from functools import partial
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from monitor.contract import drum_names
from monitor.contract.config.content import differences_of
from monitor.contract.config.limits import LimitsError, beyond_instruments, differences, with_limits
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.drum_names import NAME_USED
from monitor.contract.messages import Action, DrumChange, LimitsStep, PayoffChange, StateChange, Told
from monitor.contract.record import (
    SILENCE_ALARM,
    AlarmChange,
    DrumSpan,
    FillingKey,
    Finding,
    FindingKind,
    Floats,
    Gap,
    LineNow,
    MetreRows,
    Output,
    Priority,
    Rejected,
    Revision,
    Splice,
    StateSpan,
    Verdict,
)
from monitor.contract.selfwatch import SELF_ALARMS
from monitor.contract.topics import LIMITS, OPERATOR
from monitor.contract.units import convert
from monitor.core import dwell, people
from monitor.core.alarms import AlarmBook, AlarmEvent, Definition
from monitor.core.arrival import Block, Message, Note, Tick
from monitor.core.cure.plan import COLUMNS, COOLING, columns_of, zones_on_path
from monitor.core.cure.stage import CureStage
from monitor.core.cure.stage import told as cure_told
from monitor.core.dwell import DwellCheck
from monitor.core.fillings import Fillings
from monitor.core.order import Released, StreamOrder
from monitor.core.passages import Passages, edges_m
from monitor.core.revisions import NotAllowedError, Revisions
from monitor.core.state import STATES, StateTimeline
from monitor.core.stream import StreamFlow, tape_of
from monitor.core.track import Track
from monitor.core.zone_heat import ZoneHeat

CLOCK_SPREAD_S = 5.0  # gateways' clocks may differ by this much before a silent counter is bridged too early
STOOD_S = 10.0
ROWS_TOGETHER = 4  # rows are given out up to a multiple of this, which spares work and shows in no row
COUNTER_ALARM = "line/counter/fault"
COUNTER_ALARM_LASTS_S = 30.0
NAME_ALARM_LASTS_S = 60.0
# What people write down, by the kind of finding it becomes.
NOTES = {"note work": FindingKind.WORK, "hand over": FindingKind.HANDOVER}
OF_CABLE = {"mark metres": people.mark, "note resistance": people.resistance, "sign record": people.decision}
LABELS = {"revision", "title"}  # keys of a recipe that judge no cable
PEOPLE_KEPT = 500  # messages of people that a repetition is known by


@dataclass(slots=True)
class Pipeline:
    """Everything carried for one line. Pure: no clock, no input, no output but what is returned.

    `earlier` are recipes that were in force before, by name and revision; `fillings` are those on record, after which
    the line goes on. `core.snapshot` keeps the state as bytes.
    """

    line: Line
    recipes: Mapping[str, Recipe]
    earlier: InitVar[Mapping[tuple[str, int], Recipe]] = MappingProxyType({})
    fillings: Fillings = field(default_factory=Fillings)
    revisions: Revisions = field(init=False)
    track: Track = field(init=False)
    states: StateTimeline = field(init=False)
    book: AlarmBook = field(init=False)
    flows: dict[str, StreamFlow] = field(init=False)
    curing: CureStage = field(init=False)
    story: dict[str, StreamOrder] = field(default_factory=dict)
    dwells: list[DwellCheck] = field(default_factory=list)
    recipe: Recipe | None = None
    drum: DrumSpan | None = None
    spans: list[DrumSpan] = field(default_factory=list)  # drums that rows not yet given out may belong to
    next_row: int | None = None
    newest_s: float = -np.inf
    first_s: float | None = None
    heard_s: float | None = None
    done_s: float = -np.inf
    silent: bool = False
    unjudged: list[tuple[float, float]] = field(default_factory=lambda: [(-np.inf, np.inf)])  # times without a recipe
    seq: int = 0
    duplicates: int = 0
    _turns: list[tuple[float, int, DrumChange | LimitsStep | Action | Splice]] = field(default_factory=list)
    _people: dict[tuple[str, int, int], None] = field(default_factory=dict)
    _events: list[AlarmEvent] = field(default_factory=list)
    _holding: set[str] = field(default_factory=set)
    _counter_until_s: float | None = None
    _name_alarm_until_s: float | None = None
    _worked_out: dict[str, list[StreamFlow]] = field(default_factory=dict)  # derived streams by what they come of

    def __post_init__(self, earlier: Mapping[tuple[str, int], Recipe]) -> None:
        self.revisions = Revisions(self.line.line, dict(self.recipes), dict(earlier))
        counter = self.line.counter
        self.track = Track(self.line.line, counter.jump_tolerance_m, counter.slip_tolerance_percent, counter.wraps_at_m)
        self.states = StateTimeline(self.line.stopped_below_m_per_min / 60.0)
        self.book = AlarmBook(self.line.line)
        self.flows = {s.path: StreamFlow.of(self.line, s) for s in self.line.stream}
        for flow in self.flows.values():
            flow.tape = tape_of(flow.settings, self.recipes.values())
        self.curing = CureStage(self.line)
        self.link()
        self._define()

    def link(self) -> None:
        """Set what is another view of the state: the recipes in force, and derived streams by what they come of."""
        self.recipes = self.revisions.in_force
        self._worked_out = {}
        for flow in self.flows.values():
            if flow.settings.derived:
                self._worked_out.setdefault(flow.settings.derived.of, []).append(flow)

    @property
    def marched(self) -> tuple[str, ...]:
        """Columns that the recipes of this line have worked out by marching cable through the zones."""
        if not zones_on_path(self.line):
            return ()
        return tuple(dict.fromkeys(name for r in self.recipes.values() for name in columns_of(r)))

    # ---- the two calls -----------------------------------------------------------------------------------

    def feed(self, arrivals: Sequence[Message | Tick | Note]) -> list[Output]:
        """Arrivals of this line in the order they came; returns what they added to the record."""
        out: list[Output] = []
        for arrival in arrivals:
            if isinstance(arrival, Tick):
                self._pass_time(arrival.now_s)
            elif isinstance(arrival, Note):
                self._note(arrival)
            else:
                self._take(arrival, out)
        self._drain(out)
        return out

    def assume(self, drum: DrumChange, t_s: float) -> None:
        """A recording that begins in the middle: this drum was being wound at `t_s`."""
        self._turns.append((t_s, 0, drum))

    def order_of(self, path: str) -> StreamOrder:
        """The order of a stream that measures nothing: what the machine and people report."""
        return self.story.setdefault(path, StreamOrder(self.line.reorder_s))

    def report(self, event: AlarmEvent) -> None:
        """An event of an alarm that no stream carries; it takes effect with the next feed."""
        self._events.append(event)

    def counter_faulty_until(self, t_s: float) -> None:
        """The counter's alarm is active and returns then, if not later."""
        self._counter_until_s = max(t_s, self._counter_until_s or t_s)

    def name_reported_until(self, t_s: float) -> None:
        """That a drum's name came back has been reported; the alarm returns then, if not later."""
        self._name_alarm_until_s = max(t_s, self._name_alarm_until_s or t_s)

    def tick(self, now_s: float) -> list[Output]:
        """The wall clock says `now_s` and nothing came: a silent line is told."""
        return self.feed([Tick(now_s)])

    # ---- arrival by arrival --------------------------------------------------------------------------------

    def _take(self, message: Message, out: list[Output]) -> None:
        self._hear(message)
        path = message.stream.path
        flow = self.flows.get(path)
        if message.stream.station == OPERATOR:  # people number by the clock: what lies between was never said
            number = (path, message.start, message.n)
            if number not in self._people:
                self._people[number] = None
                self._people = dict(list(self._people.items())[-PEOPLE_KEPT:])
                self._deliver(path, None, [Released(message, self.track.end_s, self.seq)], out)
            self._advance(message.end_s, out)
            return
        order = flow.order if flow else self.order_of(path)
        released = order.push(message, self.track.end_s, self.seq)
        if order.held:
            self._holding.add(path)
        self._deliver(path, flow, released, out)
        self._advance(message.end_s, out)

    def _pass_time(self, now_s: float) -> None:
        """A line of which nothing is heard is told as such. Its record waits: what its gateway kept may yet come."""
        self.seq += 1
        silence = self.line.silence
        if silence and not self.silent and self.heard_s is not None and now_s - self.heard_s >= silence.after_s:
            self.silent = True
            self._events.append(AlarmEvent(self.track.end_s, self.seq, now_s, SILENCE_ALARM, "raised"))

    def _note(self, note: Note) -> None:
        self.seq += 1
        self._events.append(
            AlarmEvent(self.track.end_s, self.seq, note.now_s, note.alarm, note.event, value=note.value)
        )

    def _hear(self, message: Message) -> None:
        self.seq += 1
        self.heard_s = message.received_s if self.heard_s is None else max(self.heard_s, message.received_s)
        if self.silent:
            self.silent = False
            self._events.append(AlarmEvent(self.track.end_s, self.seq, message.received_s, SILENCE_ALARM, "returned"))

    def _advance(self, stamp_s: float, out: list[Output]) -> None:
        if self.first_s is None:
            self.first_s = stamp_s
        self.newest_s = max(self.newest_s, stamp_s)
        if self._holding:
            self._expire(out)
        wait_s = self.line.reorder_s + self.line.counter.silent_after_s + CLOCK_SPREAD_S
        must_s = self.newest_s - wait_s
        if must_s > self.track.end_s and must_s >= self.first_s:
            self.track.extend(must_s)

    def _expire(self, out: list[Output]) -> None:
        for path in sorted(self._holding):
            flow = self.flows.get(path)
            order = flow.order if flow else self.story[path]
            released, holes = order.expire(self.newest_s, self.track.end_s)
            out += [
                Gap(line=self.line.line, stream=path, start=h.start, first=h.first, last=h.last, t_s=h.t_s)
                for h in holes
            ]
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
                    self._speed(body, one.known_s)
                for each in (flow, *self._worked_out.get(path, ())):
                    each.pending.add(one)
            else:
                self._tell(one, body, out)

    def _speed(self, block: Block, known_s: float) -> None:
        v_m_per_s = convert(block.v, self.line.speed_unit, "m/s")
        good = ~np.isnan(v_m_per_s)
        self.track.add_speed(block.t_s[good], v_m_per_s[good])
        self.states.add_speed(np.maximum(block.t_s[good], _after(known_s)), v_m_per_s[good])

    def _tell(self, one: Released, body: Told, out: list[Output]) -> None:
        effect_s = max(body.t / 1e3, _after(one.known_s))
        if isinstance(body, StateChange):
            self.states.say(effect_s, body.state, body.reason)
        elif isinstance(body, PayoffChange):
            splice = Splice(self.line.line, one.message.stream.station, body.drum, effect_s, np.nan, body.left_m)
            self._turns.append((effect_s, one.seq, splice))
        elif isinstance(body, DrumChange | LimitsStep) or body.action in NOTES:
            self._turns.append((effect_s, one.seq, body))
        elif body.action in OF_CABLE:
            out.append(OF_CABLE[body.action](self.line.line, body, self.recipes))
        else:
            self._events.append(self._answer(one, body))

    def _answer(self, one: Released, action: Action) -> AlarmEvent:
        """A person's answer takes effect when it arrives."""
        known = one.known_s if one.known_s > -np.inf else action.t / 1e3
        lasts = (action.until - action.t) / 1e3 if action.until is not None else None
        occurrence = action.occurrence / 1e3 if action.occurrence is not None else None
        return AlarmEvent(
            known, one.seq, action.t / 1e3, action.alarm or "", action.action, occurrence,
            by=action.by, reason=action.reason, shelve_for_s=lasts,
        )  # fmt: skip

    def _noted(self, t_s: float, action: Action) -> Finding:
        """What a person did or wrote down, at the cable that was at the station then, or at the take-up."""
        kind = NOTES[action.action]
        at_m = self.metre_at(t_s, action.station)
        return Finding(
            line=self.line.line,
            key=f"{kind}@{action.t}",
            kind=kind,
            stream=f"{action.station or 'line'}/{kind}",
            check=kind.value,
            verdict=Verdict.CONFORMING,
            start_m=at_m,
            end_m=at_m,
            start_s=t_s,
            end_s=t_s,
            extreme=None,
            limit=None,
            unit="",
            by=action.by,
            reason=action.reason,
        )

    def metre_at(self, t_s: float, station: str | None) -> float:
        """Line metre of the cable that is at a station at a time; at the take-up where no station is known."""
        place = self.line.stations.get(station or "")
        return float(self.track.at(t_s)) + self.line.counter_m - (place.middle_m if place else self.line.take_up_m)

    # ---- up to the end of the track ------------------------------------------------------------------------

    def _drain(self, out: list[Output]) -> None:
        """Everything that is known up to the end of the track, in stretches between changes of drum or limits."""
        end_s = self.track.end_s
        if end_s == -np.inf:
            self._apply_before_all(out)
            return
        self._turns.sort(key=lambda turn: turn[:2])
        while self._turns and self._turns[0][0] <= end_s:
            effect_s, _, body = self._turns.pop(0)
            self._stretch(effect_s, effect_s, out)
            if isinstance(body, DrumChange):
                self._doff(effect_s, body, out)
            elif isinstance(body, Splice):
                out.append(replace(body, line_metre=self.metre_at(effect_s, body.position)))
            elif isinstance(body, Action):
                out.append(self._noted(effect_s, body))
            else:
                self._limits(effect_s, body, out)
        self._stretch(np.nextafter(end_s, np.inf), end_s, out)
        self._give_rows(end_s, out)
        self._forget()
        self.done_s = end_s

    def _apply_before_all(self, out: list[Output]) -> None:
        """What the monitor says of itself needs no cable."""
        first = [e for e in self._events if e.known_s == -np.inf]
        self._events = [e for e in self._events if e.known_s > -np.inf]
        self._apply(first, out)

    def _stretch(self, before_s: float, upto_s: float, out: list[Output]) -> None:
        self._states(upto_s, out)
        found: list[AlarmEvent] = [e for e in self._events if e.known_s < before_s]
        self._events = [e for e in self._events if e.known_s >= before_s]
        found += self._counter_faults(before_s, upto_s, out)
        found += self._name_quiet(upto_s)
        for flow in self.flows.values():
            _sort_out(flow.flow(before_s, upto_s, self.track, self.states), found, out)
        for check in self.dwells:
            _sort_out(check.flow(before_s, self.track), found, out)
        _sort_out(self.curing.flow(before_s, self.track, self._heats(), self.states), found, out)
        self._apply(found, out, upto_s)

    def _heats(self) -> dict[str, ZoneHeat]:
        return {path: flow.heat for path, flow in self.flows.items() if flow.heat is not None}

    def _apply(self, found: Iterable[AlarmEvent], out: list[Output], upto_s: float = -np.inf) -> None:
        """Events in their order, with the ends of shelving that fall between them, or by `upto_s`."""
        for event in sorted(found):
            self._end_shelving(event.known_s, out)
            self._apply_one(event, out)
        self._end_shelving(upto_s, out)

    def _end_shelving(self, upto_s: float, out: list[Output]) -> None:
        for event in sorted(self.book.shelving_ends(upto_s)):
            self._apply_one(event, out)

    def _apply_one(self, event: AlarmEvent, out: list[Output]) -> None:
        name, revision = (self.recipe.recipe, self.recipe.revision) if self.recipe else (None, None)
        change = self.book.apply(event, name, revision)
        if isinstance(change, AlarmChange):
            change = replace(change, filling=self._filling_at(event.known_s, change.line_metre))
        if change is not None:
            out.append(change)

    def _filling_at(self, t_s: float, line_metre: float | None) -> FillingKey | None:
        """The filling that held a line metre at a time; the one being wound where there is no metre."""
        if line_metre is None:
            return self.drum.key if self.drum else None
        span = self.fillings.holding(line_metre, self.metre_at(t_s, None)) if t_s > -np.inf else None
        return span.key if span else None

    def _states(self, upto_s: float, out: list[Output]) -> None:
        for i in self.states.settle(upto_s):
            t = self.states.t_s[i]
            state, reason = STATES[self.states.code[i]], self.states.reason[i]
            out.append(StateSpan(self.line.line, state, t, reason, float(self.track.at(t))))

    def _counter_faults(self, before_s: float, upto_s: float, out: list[Output]) -> Iterator[AlarmEvent]:
        due = [f for f in self.track.faults if f.t_s < before_s]
        self.track.faults = [f for f in self.track.faults if f.t_s >= before_s]
        for fault in due:
            yield from self._counter_quiet(fault.t_s)
            out.append(fault)
            if self._counter_until_s is None:
                yield AlarmEvent(
                    fault.t_s, 0, fault.t_s, COUNTER_ALARM, "raised", value=fault.reading_m, line_metre=fault.line_metre
                )
            self._counter_until_s = fault.t_s + COUNTER_ALARM_LASTS_S
        yield from self._counter_quiet(upto_s)

    def _counter_quiet(self, upto_s: float) -> Iterator[AlarmEvent]:
        until = self._counter_until_s
        if until is not None and until <= upto_s:
            self._counter_until_s = None
            yield AlarmEvent(until, -1, until, COUNTER_ALARM, "returned")

    def _name_used(self, span: DrumSpan) -> None:
        """A drum's name comes back: reported once, and over by itself."""
        at_s = span.start_s
        if self._name_alarm_until_s is not None:
            self._events.append(AlarmEvent(at_s, -1, at_s, NAME_USED, "returned"))
        self._events.append(AlarmEvent(at_s, 0, at_s, NAME_USED, "raised", line_metre=span.start_m))
        self._name_alarm_until_s = at_s + NAME_ALARM_LASTS_S

    def _name_quiet(self, upto_s: float) -> Iterator[AlarmEvent]:
        until = self._name_alarm_until_s
        if until is not None and until <= upto_s:
            self._name_alarm_until_s = None
            yield AlarmEvent(until, -1, until, NAME_USED, "returned")

    # ---- drums and recipes -----------------------------------------------------------------------------------

    def _doff(self, t_s: float, change: DrumChange, out: list[Output]) -> None:
        """The knife is at the take-up: a drum begins with the cable that is there at `t_s`.

        With no drum on the take-up a recipe is in force all the same, since cable in the line ends on the next drum:
        the one that the change names, else the one before. The drum that is on named again is no change (R23).
        """
        if self.drum is not None and self.drum.drum == change.drum:
            self._same_drum(self.drum, change, t_s, out)
            return
        if self.drum is None and change.drum is None and not change.recipe:
            return
        cut_m = self.metre_at(t_s, None)
        named = change.drum is not None or change.recipe
        recipe = self.recipes.get(change.recipe) if named else self.recipe
        if recipe is None and named:
            why = f"drum {change.drum or 'none'}: no recipe {change.recipe!r} here; its metres are judged by none"
            out.append(
                Rejected("unknown recipe", f"*/{self.line.line}/{self.line.take_up}/drum", why, t_s, self.line.line)
            )
        if self.drum is not None:
            ended = replace(self.drum, end_m=cut_m, end_s=t_s)
            self.spans[-1] = ended
            self.fillings.put(ended)
            out.append(ended)
        self.drum = None
        if change.drum is not None:
            self.drum = DrumSpan(
                line=self.line.line, filling=self.fillings.number(change.drum, t_s), drum=change.drum,
                recipe=change.recipe, revision=recipe.revision if recipe else 0, start_m=cut_m, end_m=None,
                start_s=t_s, end_s=None, planned_length_m=change.planned_length_m,
            )  # fmt: skip
            self.spans.append(self.drum)
            self.fillings.put(self.drum)
            if self.fillings.used_before(self.drum):
                self._name_used(self.drum)
            out.append(self.drum)
        if recipe is not self.recipe:
            self._judge_by(recipe, t_s, cut_m, out)

    def _same_drum(self, on: DrumSpan, change: DrumChange, t_s: float, out: list[Output]) -> None:
        """A controller that was started again sends what it knows; a filling keeps the recipe that it began with."""
        if change.recipe not in ("", on.recipe):
            why = (
                f"drum {on.drum} is on already with recipe {on.recipe}, which stays; got recipe {change.recipe}: "
                f"send drum null first, then the drum with its recipe"
            )
            topic = f"*/{self.line.line}/{self.line.take_up}/drum"
            out.append(Rejected("drum is on", topic, why, t_s, self.line.line))

    def _limits(self, t_s: float, step: LimitsStep, out: list[Output]) -> None:
        """A step of a change of limits; an approved one is in force at once, for cable still in the line too."""
        try:
            self._within_instruments(step)
            proposal, turn = self.revisions.take(step, t_s)
        except NotAllowedError as error:
            out.append(
                Rejected(
                    "limits", f"*/{self.line.line}/{OPERATOR}/{LIMITS}", f"{step.by}: {error}", t_s, self.line.line
                )
            )
            return
        if proposal is not None:
            out.append(proposal)
        if turn is None:
            return
        cut_m = self.metre_at(t_s, None)
        new = turn.recipe
        out.append(
            Revision(
                self.line.line, new.recipe, new.revision, t_s, cut_m, turn.by, turn.approved_by, turn.reason,
                turn.changes, new.model_dump_json(),
            )
        )  # fmt: skip
        if self.recipe is not None and self.recipe.recipe == new.recipe:
            self._judge_by(new, t_s, cut_m, out)

    def _within_instruments(self, step: LimitsStep) -> None:
        """NotAllowedError for a proposal of a limit that no instrument of this line can measure."""
        recipe = self.revisions.in_force.get(step.recipe)
        if step.step != "propose" or recipe is None:
            return
        try:
            beyond = beyond_instruments(with_limits(recipe, step.changes or {}), self.line)
        except LimitsError as error:
            raise NotAllowedError(str(error)) from error
        wrong = [f"{key}: {problem}" for key, problem in beyond.items() if key in (step.changes or {})]
        if wrong:
            raise NotAllowedError("; ".join(wrong))

    def _judge_by(self, recipe: Recipe | None, t_s: float, cut_m: float, out: list[Output]) -> None:
        closing: list[AlarmEvent] = [*self.curing.judge_by(recipe, t_s, cut_m, self.track)]
        for flow in self.flows.values():
            _sort_out(flow.close(t_s, float(self.track.at(t_s)), recipe), closing, out)
            flow.judge_by(recipe)
        for check in self.dwells:
            _sort_out(check.close(t_s, self.track), closing, out)
        self._apply(closing, out)
        self.dwells = dwell.checks(recipe, self.line, self.dwells)
        if recipe is None and self.recipe is not None:
            self.unjudged.append((t_s, np.inf))
        elif recipe is not None and self.recipe is None:
            self.unjudged[-1] = (self.unjudged[-1][0], t_s)
        self.recipe = recipe
        self._define()

    def _define(self) -> None:
        settings = self.line.streams.get(self.line.counter.stream)
        definitions = {COUNTER_ALARM: Definition(settings.priority if settings else Priority.HIGH, None, "m")}
        definitions[NAME_USED] = Definition(drum_names.PRIORITY, None, "")
        definitions |= {name: Definition(a.priority, a.limit, a.unit) for name, a in SELF_ALARMS.items()}
        if self.line.silence:
            definitions[SILENCE_ALARM] = Definition(self.line.silence.priority, self.line.silence.after_s, "s")
        for flow in self.flows.values():
            definitions |= flow.definitions()
        for check in self.dwells:
            definitions |= check.definitions()
        self.book.define(definitions | self.curing.definitions())

    def judge_by(self, recipe: Recipe | None, t_s: float, cut_m: float) -> list[Output]:
        """Judge cable at the take-up from `cut_m` on by another recipe; returns what ends with the one before."""
        out: list[Output] = []
        self._judge_by(recipe, t_s, cut_m, out)
        return out

    def take_recipes(self, files: Mapping[str, Recipe], before: Mapping[str, Recipe], by: str) -> list[Output]:
        """The recipes of the files: of greater revisions than those in force, from the cable at the take-up on.

        `before` are those that were in force, which an engine that is new may have no more. A recipe that has no file
        any more stays for the drums that have it.
        """
        out: list[Output] = []
        t_s = self.track.end_s
        for name, recipe in files.items():
            old = self.recipes.get(name)
            if old is None or recipe.revision > old.revision:
                self.revisions.enforce(recipe)
            if name in before and self.recipes[name].revision > before[name].revision and t_s > -np.inf:
                self._came_into_force(before[name], self.recipes[name], t_s, by, out)
        used = {span.recipe for span in self.spans} | {self.recipe.recipe if self.recipe else None}
        for name in [n for n in self.recipes if n not in files and n not in used]:
            del self.revisions.in_force[name]
        self._define()
        return out

    def _came_into_force(self, old: Recipe, new: Recipe, t_s: float, by: str, out: list[Output]) -> None:
        cut_m, changes = self.metre_at(t_s, None), {k: after for k, (_, after) in differences(old, new).items()}
        out.append(
            Revision(
                line=self.line.line, recipe=new.recipe, revision=new.revision, t_s=t_s, line_metre=cut_m, by=by,
                approved_by="", reason="", changes=changes, text=new.model_dump_json(),
            )
        )  # fmt: skip
        if self.recipe is None or self.recipe.recipe != new.recipe or self.recipe is new:
            return
        if set(differences_of(self.recipe, new)) <= LABELS:
            self.recipe = new  # it judges as before: nothing ends
        else:
            self._judge_by(new, t_s, cut_m, out)

    # ---- rows of metres ----------------------------------------------------------------------------------------

    def _give_rows(self, end_s: float, out: list[Output]) -> None:
        """Metres that passed the take-up long enough ago that nothing in time can still be told of them."""
        offset = self.line.counter_m - self.line.take_up_m
        if self.next_row is None:
            self.next_row = int(np.ceil(float(self.track.L_m[0]) + offset))
        ripe_s = end_s - self.curing.delay_s
        ripe_m = float(self.track.at(ripe_s)) + offset
        last = int(np.floor(ripe_m))
        if float(self.track.at(ripe_s - STOOD_S)) + offset < ripe_m:  # a line that stands gives all that it has
            last = last // ROWS_TOGETHER * ROWS_TOGETHER
        count = last - self.next_row
        if count <= 0:
            return
        metres = np.arange(self.next_row, last, dtype=np.float64)
        columns, seen = self._columns(metres)
        seen &= self._on_drum(metres, lambda _: True, 0.5)
        if self.marched:
            columns |= self.curing.take_columns(self.next_row, count, self.marched)
            for kind in (COLUMNS, COOLING):
                if kind[0] in columns:
                    seen &= ~np.isnan(columns[kind[0]]) | ~self._on_drum(metres, partial(_is_marched, kind))
        verdict = np.where(seen, np.int8(Verdict.CONFORMING), np.int8(Verdict.UNSEEN)).astype(np.int8)
        out.append(MetreRows(self.line.line, self.next_row, verdict, columns))
        self.next_row = last
        self.spans = [s for s in self.spans if s.end_m is None or s.end_m > last]

    def _columns(self, metres: Floats) -> tuple[dict[str, Floats], NDArray[np.bool_]]:
        columns: dict[str, Floats] = {}
        seen = np.ones(len(metres), dtype=bool)
        passed = Passages.of(self.track, self.line.counter_m, self._positions_m(), metres)
        for path, flow in self.flows.items():
            if flow.settings.required and (flow.cells is not None or flow.heat is not None):
                seen &= self._judged(flow, passed)
            if flow.cells is not None:
                passed_s = passed.at[self._middle_m(flow)]
                mean, least, most = flow.cells.take(int(metres[0]), len(metres), passed_s)
                columns |= {path: mean, f"{path}/min": least, f"{path}/max": most}
            elif flow.heat is not None:
                columns[path] = flow.heat.mean_over([z for z in self.line.zone if z.temperature == path], passed)
            if flow.settings.required and path in columns:
                seen &= ~np.isnan(columns[path])
        for name in dict.fromkeys(z.name for z in self.line.zone):
            columns[f"dwell/{name}"] = passed.dwell_s([z for z in self.line.zone if z.name == name])
        return columns, seen

    def _judged(self, flow: StreamFlow, passed: Passages) -> NDArray[np.bool_]:
        """Whether a recipe was in force all the while each metre was at an instrument or in its zone."""
        if flow.heat is None:
            spans = [(passed.at[self._middle_m(flow)],) * 2]
        else:
            zones = [z for z in self.line.zone if z.temperature == flow.settings.path]
            spans = [(passed.at[z.start_m], passed.at[z.end_m]) for z in zones]
        judged = np.ones(len(passed.metres), dtype=bool)
        for entered_s, left_s in spans:
            for begin_s, end_s in self.unjudged:
                judged &= ~((entered_s < end_s) & (left_s >= begin_s))
        return judged

    def _middle_m(self, flow: StreamFlow) -> float:
        return self.line.stations[flow.settings.station].middle_m

    def _positions_m(self) -> Floats:
        """Path positions whose passage a row needs."""
        gauges = {self._middle_m(flow) for flow in self.flows.values() if flow.cells is not None}
        return np.array(sorted(gauges | set(edges_m(self.line.zone).tolist())))

    def _on_drum(self, metres: Floats, of_kind: Callable[[Recipe], bool], around_m: float = 0.0) -> NDArray[np.bool_]:
        """Whether each metre's middle, or what is `around_m` of it, lies on a drum whose recipe is known and so."""
        found = np.zeros(len(metres), dtype=bool)
        for span in self.spans:
            recipe = self.recipes.get(span.recipe) if span.revision else None
            if recipe is not None and of_kind(recipe):
                end = np.inf if span.end_m is None else span.end_m
                found |= (metres + 0.5 + around_m >= span.start_m) & (metres + 0.5 - around_m < end)
        return found

    def _forget(self) -> None:
        """Keep what cable still in the line needs."""
        farthest = max(self.line.take_up_m, *(s.position_m for s in self.line.station))
        assert self.next_row is not None
        oldest_L = self.next_row - 2 - self.line.counter_m + min(0.0, *(s.position_m for s in self.line.station))
        self.track.forget_before(oldest_L - (farthest - self.line.take_up_m))
        oldest_s = float(self.track.t_s[0])
        self.states.forget_before(oldest_s)
        self.unjudged = [span for span in self.unjudged if span[1] >= oldest_s]
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
            "anchor": self.track.anchor,
            "recipe": self.recipe.recipe if self.recipe else None,
            "dwell_s": {c.dwell.zone: c.newest_s for c in self.dwells if c.newest_s == c.newest_s},
            "cure": cure_told(self.curing),
            "late": {p: n for p, f in self.flows.items() if (n := f.order.late + f.pending.late + f.too_late)},
            "newest": {p: f.newest for p, f in self.flows.items() if f.newest == f.newest},
            "newest_ms": {p: round(f.newest_s * 1e3) for p, f in self.flows.items() if f.newest == f.newest},
        }
        return LineNow(
            self.line.line, stamp, self.states.now, self.track.speed_m_per_s, self.track.now_m, self.drum, extra
        )


def _after(known_s: float) -> float:
    """The first moment at which what came when the record was at `known_s` can change how cable is judged."""
    return float(np.nextafter(known_s, np.inf)) if known_s > -np.inf else known_s


def _is_marched(kind: tuple[str, ...], recipe: Recipe) -> bool:
    return columns_of(recipe) == kind


def _sort_out(found: Iterator[AlarmEvent | Finding], events: list[AlarmEvent], out: list[Output]) -> None:
    for one in found:
        if isinstance(one, AlarmEvent):
            events.append(one)
        else:
            out.append(one)
