"""A physical line, output as the messages of its instruments: `simulate` is the entry point."""

import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain, count, islice, pairwise
from typing import NamedTuple

import numpy as np

from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Derived, Line, StreamSettings
from monitor.contract.config.recipe import Recipe
from monitor.contract.record import Floats
from monitor.contract.topics import DRUM, PAYOFF, STATE, Stream, sample_topic
from monitor.contract.units import convert
from simulator.cable import Book, Flaw, HeadDiameter, Lumps, TrueDiameter, flaws, places
from simulator.campaign import LineSchedule, Supply, Wound, inherited, plan
from simulator.gauges import CounterWheel, Draft, Gauge, Taken, encode
from simulator.ovens import Oven
from simulator.resume import Left
from simulator.scenario import LineScript, PayOffFeed, Scenario, Upset
from simulator.travel import Travel, travel
from simulator.truth import DrumCut, Spark, Spell, State, Truth, Watch, stretches, watches
from simulator.wire import StreamWire

PAGE_S = 60.0
STATE_STATION = "line"
TEMPERATURE_DECIMALS = 1
DIAMETER_DECIMALS = 3
PRESSURE_SWING_BAR = 1.5
SPARK_FAULT, LABEL = "spark-fault", "label"
ROOM_C, FLAME_GROWS_S, FLAME_FADES_S = 22.0, 9.0, 60.0


class Sent(NamedTuple):
    """One message as it reaches the broker: UTC seconds, topic, payload."""

    send_s: float
    topic: str
    payload: bytes


@dataclass(slots=True)
class StreamPublisher:
    """A stream's numbers and its way over the wire."""

    topic: str
    order: int
    wire: StreamWire
    next_n: int = 0


@dataclass(slots=True, kw_only=True)
class LineRun:
    """A line's run through a scenario. `pages` gives messages in wire order; `truth` grows with them."""

    works: str
    line: Line
    recipe: Recipe
    scenario: Scenario
    script: LineScript
    start_ms: int
    first_drum: int
    numbering: int  # `start` of its messages, which are numbered from 0
    suppliers: Mapping[str, "LineRun"] = field(default_factory=dict)  # runs of the lines whose drums it takes
    travel: Travel = field(init=False)
    schedule: LineSchedule | None = None
    cable: TrueDiameter = field(init=False)
    ovens: dict[str, Oven] = field(init=False)
    wheel: CounterWheel = field(init=False)
    flaws: Book = field(init=False)
    gauges: dict[str, Gauge] = field(init=False)
    watches: dict[str, Watch] = field(init=False)
    truth: Truth = field(init=False)
    inherited: list[tuple[str, Flaw]] = field(init=False)
    events: list[Iterator[float]] = field(init=False)
    publishers: dict[str, StreamPublisher] = field(default_factory=dict)
    _waiting: list[tuple[float, int, int, int, str, bytes]] = field(default_factory=list)
    _done_ms: int = 0
    _drum: int = 0
    _drum_L: float = 0.0
    _next_event: list[float] = field(init=False)

    def __post_init__(self) -> None:
        script, repeat_s = self.script, self.scenario.repeat_s
        self.schedule = self._plan()
        usual_m_per_s = self.recipe.setpoints.speed_m_per_min / 60.0
        self.travel = self.schedule.travel if self.schedule else travel(script, repeat_s, usual_m_per_s)
        self.truth = Truth(line=self.line.line, recipe=self.recipe.recipe, start_ms=self.start_ms)
        wall = HeadDiameter.of(self.recipe.geometry, script.screw, self.travel, self.rng("screw"))
        lumps = [Lumps(one, places(one, self.origin_m, self.rng(f"lump {i}"))) for i, one in enumerate(script.lump)]
        self.cable = TrueDiameter(wall, lumps, self.line.counter_m)
        self.wheel = CounterWheel(self.travel, script.counter, repeat_s, self.line.counter.wraps_at_m)
        self.ovens = {zone: self._oven(zone, C) for zone, C in self.recipe.setpoints.zone_C.items()}
        sources = [self.rng(f"spark {i}") for i in range(len(script.spark))]
        self.flaws = Book(flaws(self.line, script, self.origin_m, sources))
        self.inherited = inherited(self.schedule, self.line, self.recipe) if self.schedule else []
        self.events = [places(one, self.origin_m, self.rng(f"event {i}")) for i, one in enumerate(script.event)]
        self._next_event = [next(places_, np.inf) for places_ in self.events]
        self.gauges = {s.path: self._gauge(s) for s in self.line.stream if s.kind == "samples" and not s.derived}
        self.truth.noise = {path: gauge.sigma for path, gauge in self.gauges.items()}
        self.watches = watches(self.line, self.recipe, self.travel, self.truth)
        self._drum_L = script.line_metre_start_m

    @property
    def origin_m(self) -> float:
        """Line metre of the first cut."""
        return self.script.line_metre_start_m + self.line.counter_m - self.line.take_up_m

    @property
    def next_drum(self) -> int:
        """Number of the drum after those that were begun."""
        return self.first_drum + self._drum

    # ---- drums put on and drums made -------------------------------------------------------------------------

    def _plan(self) -> LineSchedule | None:
        """What the line does with the drums it is given; None where its script says how it runs."""
        if self.script.campaign is None:
            return None
        wishes = [(one, self._supply(one)) for one in self.script.pay_off]
        names = (self._name(i) for i in count())
        start_m = self.script.line_metre_start_m
        return plan(self.line, self.recipe, self.script.campaign, wishes, start_m, names)

    def _name(self, i: int) -> str:
        return f"{self.script.drum_prefix}-{self.first_drum + i:04d}"

    def _supply(self, one: PayOffFeed) -> Supply:
        if one.of is None:
            return lambda k: Wound(
                name=f"{one.bought}-{self.first_drum + k:04d}", length_m=one.bought_m, ready_s=0.0, flaws=()
            )
        drums = self.suppliers[one.of].wound()
        chosen = islice((d for d in drums if not d.scrap), one.first - 1, None, one.every)
        return lambda _k: next(chosen, None)

    def wound(self) -> Iterator[Wound]:
        """The finished drums of this run one after the other, each with its faults in its own wound metres."""
        if self.schedule is None:
            L, lengths = self.script.line_metre_start_m, self.script.drum_length_m
            for i in count():
                length = lengths[min(i, len(lengths) - 1)]
                yield self._wound(self._name(i), L, L + length, float(self.travel.when(np.array(L + length))), False)
                L += length
            return
        for change, end in pairwise(self.schedule.drum_changes):
            if change.name is not None:
                yield self._wound(change.name, change.L_m, end.L_m, end.t_s, change.scrap)

    def _wound(self, name: str, from_L: float, to_L: float, ready_s: float, scrap: bool) -> Wound:
        offset = self.line.counter_m - self.line.take_up_m
        a, b = from_L + offset, to_L + offset
        found = [*self.flaws.between(a, b), *(flaw for _, flaw in self.inherited if a <= flaw.metre < b)]
        own = sorted((Flaw(f.metre - a, f.cause) for f in found), key=lambda f: f.metre)
        return Wound(name=name, length_m=b - a, ready_s=ready_s, flaws=tuple(own), scrap=scrap)

    def reading_m(self, t_s: float) -> float:
        """What the metre counter shows at a time, m."""
        return float(self.wheel.reading_m(np.array([t_s]))[0])

    def rng(self, use: str) -> np.random.Generator:
        """A stream of random numbers of its own for each use, so that none shifts another."""
        return np.random.default_rng([self.scenario.seed, zlib.crc32(f"{self.line.line} {use}".encode())])

    # ---- messages, page by page ----------------------------------------------------------------------------

    def messages(self, page_s: float = PAGE_S, until_s: float | None = None) -> Iterator[Sent]:
        """Messages in wire order, without end or up to a time in s from the start."""
        while until_s is None or self._done_ms < until_s * 1e3:
            step_s = page_s if until_s is None else min(page_s, until_s - self._done_ms / 1e3)
            yield from self.page(self._done_ms + round(step_s * 1e3))
        yield from self.close()

    def page(self, before_ms: int) -> list[Sent]:
        """All that reaches the broker before a time, ms from the start."""
        from_s, before_s = self._done_ms / 1e3, before_ms / 1e3
        for path, draft in chain(self._sampled(before_ms), self._notifications(from_s, before_s)):
            self._queue(path, draft)
        self._done_ms = before_ms
        self.truth.until_s = before_s
        return self._release(self.start_ms / 1e3 + before_s)

    def close(self) -> list[Sent]:
        """The run is cut off: what is still on the wire, and the truth of what is open."""
        for watch in self.watches.values():
            watch.end()
        return self._release(np.inf)

    def _queue(self, path: str, drafts: list[Draft]) -> None:
        if not drafts:
            return
        publisher = self._publisher(path)
        start_s = self.start_ms / 1e3
        arrivals = publisher.wire.carry(np.array([draft.ready_s for draft in drafts]))
        for draft, times in zip(drafts, arrivals, strict=True):
            payload = encode(self.numbering, publisher.next_n, draft.body)
            for copy, at in enumerate(times):
                self._waiting.append((start_s + at, publisher.order, publisher.next_n, copy, publisher.topic, payload))
            publisher.next_n += 1

    def _release(self, before_s: float) -> list[Sent]:
        self._waiting.sort(key=lambda w: w[:4])
        due = [Sent(w[0], w[4], w[5]) for w in self._waiting if w[0] < before_s]
        del self._waiting[: len(due)]
        return due

    def _publisher(self, path: str) -> StreamPublisher:
        if path not in self.publishers:
            topic = sample_topic(self.works, Stream(self.line.line, *path.split("/")))
            wire = StreamWire(self.scenario.wire, self.rng(f"wire {path}"))
            self.publishers[path] = StreamPublisher(topic, zlib.crc32(path.encode()), wire)
        return self.publishers[path]

    # ---- what the gauges send ------------------------------------------------------------------------------

    def _sampled(self, before_ms: int) -> Iterator[tuple[str, list[Draft]]]:
        for path, gauge in self.gauges.items():
            taken = gauge.take(before_ms)
            if path in self.watches:
                self.watches[path].feed(taken.t_s, taken.true)
            for other in self.line.stream:
                if other.derived and other.derived.of == path and other.path in self.watches:
                    self.watches[other.path].feed(taken.t_s, self._derived(other.derived, taken))
            yield path, list(gauge.drafts(taken, self.start_ms))

    def _gauge(self, s: StreamSettings) -> Gauge:
        truth, sigma, decimals = self._nature(s)
        troubles = [one for one in self.script.instrument if one.stream == s.path]
        rng, still = self.rng(f"gauge {s.path}"), s.path == self.line.counter.speed or s.unit == "rpm"
        return Gauge(
            settings=s,
            truth=truth,
            sigma=sigma,
            decimals=decimals,
            troubles=troubles,
            repeat_s=self.scenario.repeat_s,
            rng=rng,
            still=still,
        )

    def _nature(self, s: StreamSettings) -> tuple[Callable[[Floats], Floats], float, int]:
        """What a stream measures, its noise, and how many decimals its instrument shows."""
        noise, zone = self.script.noise, next((z for z in self.line.zone if z.temperature == s.path), None)
        if s.path == self.line.counter.stream:
            return self.wheel.reading_m, 0.0, 3
        if s.path == self.line.counter.speed:
            noise_m_per_s = noise.speed_m_per_min / 60.0
            decimals = 2 if s.unit == "m/min" else 4
            return (
                lambda t: convert(self.travel.speed(t), "m/s", s.unit),
                convert(noise_m_per_s, "m/s", s.unit),
                decimals,
            )
        if zone is not None and zone.name in self.ovens and zone.medium == "air":
            return self.ovens[zone.name].at, noise.temperature_C, TEMPERATURE_DECIMALS
        if s.quantity.startswith("diameter"):
            return self._diameter(s), noise.diameter_mm, DIAMETER_DECIMALS
        if self.recipe.integrity and s.path == self.recipe.integrity.flame:
            return self._flame, noise.flame_C, TEMPERATURE_DECIMALS
        return self._steady(s)

    def _diameter(self, s: StreamSettings) -> Callable[[Floats], Floats]:
        """The cable at the gauge; two axes see an oval from its two sides."""
        axis = {"diameter-x": 1.0, "diameter-y": -1.0}.get(s.quantity, 0.0)
        offset = self.line.counter_m - self.line.stations[s.station].middle_m
        oval_mm = axis * self.script.screw.ovality_mm
        return lambda t: self.cable.diameter_mm(self.travel.metres(t) + offset) + oval_mm

    def _steady(self, s: StreamSettings) -> tuple[Callable[[Floats], Floats], float, int]:
        """A quantity that is held: in the middle of its window, or of what its instrument can measure."""
        middle, half = self._usual(s)
        share = 1.0 if s.unit == "rpm" else _SPEED_SHARE.get((s.station, s.quantity), 0.0)
        usual_m_per_s = self.recipe.setpoints.speed_m_per_min / 60.0
        upsets = [one for one in self.script.upset if one.stream == s.path]
        swing = PRESSURE_SWING_BAR if (s.station, s.quantity) == ("head", "pressure") else 0.0

        def true(t: Floats) -> Floats:
            moving = self.travel.speed(t) / usual_m_per_s
            beat = swing * np.sin(2 * np.pi * t / self.script.screw.pulsation_period_s)
            return middle * (1.0 - share + share * moving) + beat + self._upset(upsets, t)

        return true, half * self.script.noise.steady_percent / 100.0, 3 if half < 1 else 2

    def _usual(self, s: StreamSettings) -> tuple[float, float]:
        turning = next((d for d in self.line.stream if d.derived and d.derived.of == s.path), None)
        if turning is not None and turning.derived is not None:
            return self._usual_rpm(turning.derived, turning.path)
        window = next((w for w in self.recipe.window if w.stream == s.path), None)
        zone = next((z.name for z in self.line.zone if z.temperature == s.path), None)
        if zone in self.recipe.setpoints.zone_C:
            return self.recipe.setpoints.zone_C[zone], 20.0
        if window is not None and window.lo is not None and window.hi is not None:
            return (window.lo + window.hi) / 2, (window.hi - window.lo) / 2
        low, high = s.measuring_range or (0.0, 100.0)
        return low + (high - low) * _USUAL_SHARE.get(s.quantity, 0.5), (high - low) / 2

    def _usual_rpm(self, rule: Derived, path: str) -> tuple[float, float]:
        """How fast something turns that gives the recipe's lay, or the middle of its window of overlap."""
        mm_per_min = self.recipe.setpoints.speed_m_per_min * 1e3
        if rule.rule == "lay length" and self.recipe.laying_up:
            rpm = mm_per_min / (self.recipe.laying_up.lay_mm * rule.twists_per_turn)
        else:
            tape = next(t for t in self.recipe.tape if t.name == rule.tape)
            window = next(w for w in self.recipe.window if w.stream == path)
            overlap = ((window.lo or 0.0) + (window.hi or 0.0)) / 200.0
            across, around = (1.0 - overlap) * tape.width_mm, np.pi * tape.on_diameter_mm
            rpm = mm_per_min / (across / np.sqrt(1.0 - (across / around) ** 2))
        return rpm, 0.1 * rpm

    def _derived(self, rule: Derived, taken: Taken) -> Floats:
        """The true result of a rotation: the lay, or the overlap of the tape; NaN while it is stopped."""
        mm_per_min = self.travel.speed(taken.t_s) * 60e3
        turning = (mm_per_min > 0) & (taken.true > 0)
        pitch = np.full(len(taken.t_s), np.nan)
        pitch[turning] = mm_per_min[turning] / taken.true[turning] / rule.twists_per_turn
        if rule.rule == "lay length":
            return pitch
        tape = next(t for t in self.recipe.tape if t.name == rule.tape)
        across = pitch * np.cos(np.arctan(pitch / (np.pi * tape.on_diameter_mm)))
        return np.asarray(100.0 * (1.0 - across / tape.width_mm))

    def _flame(self, t_s: Floats) -> Floats:
        """The air at the specimen: cold, in the flame, cooling down."""
        test = self.recipe.integrity
        assert test is not None
        assert self.schedule is not None
        out = np.full(len(t_s), ROOM_C)
        hot_C = test.flame_C + (test.above_C - test.below_C) / 2
        for flame in self.schedule.flame_tests:
            since, after = t_s - flame.begins_s, t_s - flame.ends_s
            on = (since >= 0) & (after < 0)
            out[on] = ROOM_C + (hot_C - ROOM_C) * -np.expm1(-since[on] / FLAME_GROWS_S)
            off = (after >= 0) & (after < 3600)
            out[off] = np.maximum(out[off], ROOM_C + (hot_C - ROOM_C) * np.exp(-after[off] / FLAME_FADES_S))
        return out

    def _upset(self, upsets: list[Upset], t_s: Floats) -> Floats:
        off = np.zeros_like(t_s)
        local = t_s % self.scenario.repeat_s if self.scenario.repeat_s else t_s
        for one in upsets:
            since = local - one.at_s
            grown = np.clip(since / one.over_s, 0.0, 1.0) if one.over_s else 1.0
            off += np.where((since >= 0) & (since < one.for_s), one.by * grown, 0.0)
        return off

    def _oven(self, zone: str, setpoint_C: float) -> Oven:
        troubles = [one for one in self.script.oven if one.zone == zone]
        return Oven(
            setpoint_C=setpoint_C, troubles=troubles, repeat_s=self.scenario.repeat_s, rng=self.rng(f"oven {zone}")
        )

    # ---- what is sent as it happens ------------------------------------------------------------------------

    def _notifications(self, from_s: float, before_s: float) -> Iterator[tuple[str, list[Draft]]]:
        yield f"{STATE_STATION}/{STATE}", list(self._states(from_s, before_s))
        yield f"{self.line.take_up}/{DRUM}", list(self._drum_changes(from_s, before_s))
        if self.schedule is not None:
            for position in dict.fromkeys(one.station for one in self.schedule.put_on):
                yield f"{position}/{PAYOFF}", list(self._put_on(position, from_s, before_s))
        for stream in self.line.stream:
            if stream.quantity == SPARK_FAULT:
                yield stream.path, list(self._sparks(stream, from_s, before_s))
            elif stream.kind == "events":
                yield stream.path, list(self._happened(stream, from_s, before_s))
        self._remember(from_s, before_s)

    def _stamp(self, t_s: float) -> int:
        return self.start_ms + round(t_s * 1e3)

    def _states(self, from_s: float, before_s: float) -> Iterator[Draft]:
        for turn in self.travel.states(from_s, before_s):
            L = float(self.travel.metres(np.array(turn.t_s)))
            self.truth.states.append(State(turn.t_s, turn.state, turn.reason, L))
            yield Draft(turn.t_s, {"t": self._stamp(turn.t_s), "state": turn.state, "reason": turn.reason})

    def _put_on(self, position: str, from_s: float, before_s: float) -> Iterator[Draft]:
        assert self.schedule is not None
        for one in self.schedule.put_on:
            if one.station == position and from_s <= one.t_s < before_s:
                yield Draft(one.t_s, {"t": self._stamp(one.t_s), "drum": one.drum.name, "left_m": one.left_m})

    def _drum_changes(self, from_s: float, before_s: float) -> Iterator[Draft]:
        if self.schedule is not None:
            yield from self._planned_drum_changes(self.schedule, from_s, before_s)
            return
        while (t := float(self.travel.when(np.array(self._drum_L)))) < before_s:
            lengths = self.script.drum_length_m
            length = lengths[min(self._drum, len(lengths) - 1)]
            name = self._name(self._drum)
            start_m = self._drum_L + self.line.counter_m - self.line.take_up_m
            self.truth.cuts.append(DrumCut(name, self.recipe.recipe, start_m, t))
            self._drum += 1
            self._drum_L += length
            yield Draft(
                t, {"t": self._stamp(t), "drum": name, "recipe": self.recipe.recipe, "planned_length_m": length}
            )

    def _planned_drum_changes(self, schedule: LineSchedule, from_s: float, before_s: float) -> Iterator[Draft]:
        for change in schedule.drum_changes:
            if from_s <= change.t_s < before_s:
                start_m = change.L_m + self.line.counter_m - self.line.take_up_m
                if change.name is not None:
                    self._drum += 1
                    self.truth.cuts.append(DrumCut(change.name, self.recipe.recipe, start_m, change.t_s))
                body = {"drum": change.name, "recipe": self.recipe.recipe}
                yield Draft(change.t_s, {"t": self._stamp(change.t_s), **body, "planned_length_m": change.length_m})

    def _sparks(self, stream: StreamSettings, from_s: float, before_s: float) -> Iterator[Draft]:
        """A fault is reported when it enters the electrode: the line's own, and what a drum put on brought to it."""
        offset = self.line.counter_m - self.line.stations[stream.station].position_m
        from_M, before_M = (float(self.travel.metres(np.array(t))) + offset for t in (from_s, before_s))
        met = [one.station for one in self.script.pay_off if one.tested_at == stream.station]
        brought = [flaw for position, flaw in self.inherited if position in met and from_M <= flaw.metre < before_M]
        start_M = max(from_M, self.script.line_metre_start_m + offset)
        for flaw in sorted([*self.flaws.between(start_M, before_M), *brought], key=lambda f: f.metre):
            t = float(self.travel.when(np.array(flaw.metre - offset)))
            self.truth.sparks.append(Spark(flaw.metre, t, flaw.cause))
            yield Draft(t, {"t": self._stamp(t), "v": 1})

    def _happened(self, stream: StreamSettings, from_s: float, before_s: float) -> Iterator[Draft]:
        """Events that are no faults of the insulation: what the script places, cuts labelled, results of a test."""
        offset = self.line.counter_m - self.line.stations[stream.station].position_m
        before_M = float(self.travel.metres(np.array(before_s))) + offset
        marks = any(check.stream == stream.path for check in self.recipe.event_check)
        times = [t for t in self._of_schedule(stream) if from_s <= t < before_s]
        for i, one in enumerate(self.script.event):
            while one.stream == stream.path and self._next_event[i] < before_M:
                L = self._next_event[i] - offset
                times += [float(self.travel.when(np.array(L)))] if self.script.line_metre_start_m <= L else []
                self._next_event[i] = next(self.events[i], np.inf)
        for t in sorted(times):
            if marks:
                self.truth.sparks.append(Spark(float(self.travel.metres(np.array(t))) + offset, t, stream.quantity))
            yield Draft(t, {"t": self._stamp(t), "v": 1})

    def _of_schedule(self, stream: StreamSettings) -> list[float]:
        """Times at which the schedule makes an event of this stream."""
        test = self.recipe.integrity
        if self.schedule is None:
            return []
        if stream.quantity == LABEL:
            return [d.t_s + 5.0 for d in self.schedule.drum_changes if d.name is not None]
        if test is None:
            return []
        if stream.path == test.circuit:
            return [b.fails_s for b in self.schedule.flame_tests if b.fails_s is not None]
        if stream.path == test.water and test.water_from_s is not None:
            due = [(b, b.begins_s + test.water_from_s) for b in self.schedule.flame_tests]
            return [t for b, t in due if t < b.ends_s]
        return [
            t
            for b in self.schedule.flame_tests
            for t in np.arange(b.begins_s + test.shock_first_s, b.ends_s, test.shock_every_s).tolist()
        ]

    def _remember(self, from_s: float, before_s: float) -> None:
        """Troubles of instruments that begin in this page."""
        self.truth.counter += self.wheel.faults(from_s, before_s)
        repeat_s = self.scenario.repeat_s
        for period in range(int(before_s // repeat_s) + 1) if repeat_s else range(1):
            for one in self.script.instrument:
                t = one.at_s + period * (repeat_s or 0.0)
                if from_s <= t < before_s:
                    spell = Spell(start_s=t, end_s=t + one.for_s, clear_s=t + one.for_s, extreme=0.0)
                    self.truth.troubles += stretches(self.line, self.travel, one.stream, one.kind, spell)


# Share of a steady quantity that goes with the line speed, and where in its range it lies when there is no window.
_SPEED_SHARE = {("head", "pressure"): 0.15, ("head", "screw-speed"): 1.0}
_USUAL_SHARE = {"screw-speed": 0.4, "tension": 0.16}


def simulate_all(
    scenario: Scenario,
    configuration: Configuration,
    lines: Sequence[str],
    start_s: float,
    left: Mapping[str, Left | None] | None = None,
    numbering: int = 0,
) -> dict[str, LineRun]:
    """Runs of several lines of a scenario; a line that takes drums of another follows that one. See `simulate`."""
    wanted = dict.fromkeys(name for line in lines for name in _with_suppliers(scenario, line))
    runs: dict[str, LineRun] = {}
    for name in (script.line for script in scenario.line if script.line in wanted):
        one = (left or {}).get(name)
        runs[name] = simulate(
            scenario, configuration, name, start_s, one.next_drum if one else 1,
            one.line_metre_m if one else None, runs, numbering,
        )  # fmt: skip
    return {name: runs[name] for name in lines}


def _with_suppliers(scenario: Scenario, line: str) -> list[str]:
    before = [one.of for one in scenario.scripts[line].pay_off if one.of is not None]
    return [line, *(name for other in before for name in _with_suppliers(scenario, other))]


def simulate(
    scenario: Scenario,
    configuration: Configuration,
    line: str,
    start_s: float,
    first_drum: int = 1,
    line_metre_start_m: float | None = None,
    suppliers: Mapping[str, LineRun] | None = None,
    numbering: int = 0,
) -> LineRun:
    """The run of one line of a scenario from `start_s` (UTC) on; `run.messages()` is it in wire order, s, topic, bytes.

    The same arguments give the same bytes, whatever the pace or the cut into pages. `numbering` is the `start` of its
    messages; `line_metre_start_m` replaces the scenario's.
    `suppliers` are the runs of the lines whose drums it takes, made again where they are not given.
    Raises KeyError for a line that is not in the scenario.
    """
    script = scenario.scripts[line]
    if suppliers is None:
        suppliers = simulate_all(scenario, configuration, _with_suppliers(scenario, line)[1:], start_s)
    if line_metre_start_m is not None:
        script = script.model_copy(update={"line_metre_start_m": line_metre_start_m})
    return LineRun(
        works=configuration.works.works,
        line=configuration.lines[line],
        recipe=configuration.recipes[script.recipe],
        scenario=scenario,
        script=script,
        start_ms=round(start_s * 1e3),
        first_drum=first_drum,
        numbering=numbering,
        suppliers=suppliers,
    )
