"""A line that takes the drums of earlier lines: its schedule follows from their availability and length."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from simulator.cable import Flaw
from simulator.scenario import LATEST_S, Campaign, PayOffFeed
from simulator.travel import StateFrom, Travel

JOBS = 150  # drums of the first pay-off that are planned ahead; then the line stops
WAITS = "waits for a drum"
CHANGES = "drum change"
CUTS = "cut"
SETTLES_S = 30.0
SHORTEST_M = 1e-6  # a shorter piece is rounding
LEADER_M = 3.0  # pulled through behind the last cable


@dataclass(frozen=True, slots=True, kw_only=True)
class Wound:
    """A drum as a later line receives it: `flaws` in its own wound metres, `ready_s` when it was taken off."""

    name: str
    length_m: float
    ready_s: float
    flaws: tuple[Flaw, ...]
    scrap: bool = False


Supply = Callable[[int], Wound | None]  # the drums of a pay-off one after the other; None where there are no more


@dataclass(frozen=True, slots=True, kw_only=True)
class PutOnDrum:
    """A drum goes on a pay-off at `t_s`, when the counter reads `L_m`."""

    t_s: float
    station: str
    drum: Wound
    left_m: float
    L_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DrumBegin:
    """A drum begins at the take-up at `t_s`; name None: the one that was there is taken off and none put on."""

    t_s: float
    L_m: float
    name: str | None
    length_m: float | None
    scrap: bool = False


@dataclass(frozen=True, slots=True)
class FlameTest:
    """A circuit integrity test: ignition, its end, and when the circuit failed (None: it held)."""

    begins_s: float
    ends_s: float
    fails_s: float | None


@dataclass(slots=True)
class LineSchedule:
    """What a line does with what it is given, in order of time."""

    travel: Travel
    put_on: list[PutOnDrum]
    drum_changes: list[DrumBegin]
    flame_tests: list[FlameTest]


def taken(recipe: Recipe) -> float:
    """Metres of core in a metre of product: cores lie on helices around the cable's centre line, in one layer."""
    up = recipe.laying_up
    if up is None:
        return 1.0
    if up.layers:
        raise ValueError(f"expected cores in one layer, got {up.cores}: the simulator cannot lay up more layers")
    across_mm = up.core_diameter_mm / math.sin(math.pi / up.cores)  # of the circle through the cores' centres
    return math.hypot(1.0, math.pi * across_mm / up.lay_mm)


@dataclass(slots=True)
class _Way:
    """Knots of a speed in straight pieces, and the states that go with it."""

    L_m: float
    t: list[float] = field(default_factory=lambda: [0.0])
    v: list[float] = field(default_factory=lambda: [0.0])
    turns: list[StateFrom] = field(default_factory=lambda: [StateFrom(0.0, "stopped", WAITS)])

    @property
    def now_s(self) -> float:
        return self.t[-1]

    def wait_until(self, until_s: float) -> None:
        if until_s > self.now_s:
            self._knot(until_s, 0.0)

    def run(self, length_m: float, v_m_per_s: float, ramp_s: float, why_stops: str, quiet: bool = False) -> None:
        """Up, along and down again over exactly so many metres; `quiet`: the machine does not call that running."""
        if length_m <= 0:
            return
        slope = v_m_per_s / ramp_s
        top = min(v_m_per_s, math.sqrt(length_m * slope))
        up_s = top / slope
        along_s = (length_m - top * up_s) / top
        self._turn("ramping", why_stops if quiet else "start")
        self._knot(self.now_s + up_s, top)
        if along_s > 1e-9:
            if not quiet:
                self._turn("running", "")
            self._knot(self.now_s + along_s, top)
            if not quiet:
                self._turn("ramping", why_stops)
        self._knot(self.now_s + up_s, 0.0)
        self._turn("stopped", why_stops)
        self.L_m += length_m

    def report(self, state: str, reason: str) -> None:
        self._turn(state, reason)

    def _turn(self, state: str, reason: str) -> None:
        self.turns.append(StateFrom(self.now_s, state, reason))

    def _knot(self, t_s: float, v: float) -> None:
        self.t.append(t_s)
        self.v.append(v)

    def travel(self, start_m: float, usual_m_per_s: float) -> Travel:
        t, v = np.array([*self.t, LATEST_S]), np.array([*self.v, 0.0])
        keep = np.concatenate(([True], np.diff(t) > 0))
        t, v = t[keep], v[keep]
        S = np.concatenate(([0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) * np.diff(t))))
        return Travel(
            t_s=t,
            v_m_per_s=v,
            S_m=S,
            start_m=start_m,
            before_m_per_s=usual_m_per_s,
            period_s=None,
            turns=tuple(self.turns),
        )


@dataclass(slots=True)
class _On:
    """What is on a pay-off."""

    wish: PayOffFeed
    supply: Supply
    next_: int = 0
    left_m: float = 0.0

    def take(self) -> Wound | None:
        drum = self.supply(self.next_)
        self.next_ += 1
        return drum


def plan(
    line: Line, recipe: Recipe, campaign: Campaign, wishes: Sequence[tuple[PayOffFeed, Supply]], start_m: float,
    names: Iterator[str],
) -> LineSchedule:  # fmt: skip
    """The schedule of a line from L = `start_m`; `names` are those of its drums."""
    planner = _Planner(
        line=line,
        recipe=recipe,
        campaign=campaign,
        on=[_On(wish, supply) for wish, supply in wishes],
        names=names,
        way=_Way(start_m),
    )
    for _ in range(JOBS):
        if not planner.job():
            break
    usual = recipe.setpoints.speed_m_per_min / 60.0
    travel = planner.way.travel(start_m, usual)
    drum_changes = [d if d.t_s >= 0 else _timed(d, travel) for d in planner.drum_changes]
    set_up = DrumBegin(t_s=0.0, L_m=start_m, name=None, length_m=None)  # the recipe is set before the first cable comes
    return LineSchedule(travel, planner.put_on, [set_up, *drum_changes], planner.flame_tests)


def _timed(change: DrumBegin, travel: Travel) -> DrumBegin:
    """A change on the fly is planned by metres; its time follows from the travel."""
    return DrumBegin(
        t_s=float(travel.when(np.array(change.L_m))),
        L_m=change.L_m,
        name=change.name,
        length_m=change.length_m,
        scrap=change.scrap,
    )


@dataclass(slots=True, kw_only=True)
class _Planner:
    line: Line
    recipe: Recipe
    campaign: Campaign
    on: list[_On]
    names: Iterator[str]
    way: _Way
    put_on: list[PutOnDrum] = field(default_factory=list)
    drum_changes: list[DrumBegin] = field(default_factory=list)
    flame_tests: list[FlameTest] = field(default_factory=list)

    def job(self) -> bool:
        """One drum of the first pay-off, from when it is put on until its end is wound. False where there is none."""
        first = self.on[0].take()
        if first is None:
            return False
        self._wait_for(first)
        self._put(self.on[0], first)
        if self.campaign.burn_s is not None:
            self._burn(self.campaign.burn_s)
            return True
        return self._fill() and self._wind(first)

    def _wind(self, first: Wound) -> bool:
        """The drum and all of its pieces, the first begun on the fly as its outer end comes to the take-up."""
        reach_m = self.line.take_up_m - self.line.stations[self.on[0].wish.station].position_m
        length_m, at_m = first.length_m / taken(self.recipe), self.way.L_m + reach_m
        pieces = self._pieces(first, length_m) if self.campaign.reel_m else [(length_m, False)]
        for i, piece in enumerate(pieces):
            self._begin(at_m, piece)
            at_m += piece[0]
            last = i + 1 == len(pieces)
            if not self._run_to(at_m, CHANGES if last else CUTS):
                return False
            if not last:
                self.way.wait_until(self.way.now_s + self.campaign.change_s)
        self._release_drum()
        return True

    def _release_drum(self) -> None:
        """The last drum is taken off, and a leader pulled through behind it."""
        self.drum_changes.append(DrumBegin(t_s=self.way.now_s + 1.0, L_m=self.way.L_m, name=None, length_m=None))
        self.way.wait_until(self.way.now_s + 2.0)
        self.way.run(LEADER_M, v_m_per_s=0.5, ramp_s=2.0, why_stops=WAITS, quiet=True)
        for on in self.on[1:]:
            on.left_m = max(on.left_m - LEADER_M * taken(self.recipe), 0.0)

    def _begin(self, L_m: float, piece: tuple[float, bool]) -> None:
        name = next(self.names) + ("-scrap" if piece[1] else "")
        standing = L_m == self.way.L_m
        self.drum_changes.append(
            DrumBegin(t_s=self.way.now_s if standing else -1.0, L_m=L_m, name=name, length_m=piece[0], scrap=piece[1])
        )

    def _wait_for(self, drum: Wound) -> None:
        """It is brought, then put on."""
        there_s = drum.ready_s + self.campaign.bring_s
        if there_s > self.way.now_s:
            self.way.wait_until(there_s)
        self.way.report("stopped", CHANGES)
        self.way.wait_until(self.way.now_s + self.campaign.change_s)

    def _put(self, on: _On, drum: Wound) -> None:
        on.left_m = drum.length_m
        self.put_on.append(
            PutOnDrum(t_s=self.way.now_s, station=on.wish.station, drum=drum, left_m=drum.length_m, L_m=self.way.L_m)
        )

    def _fill(self) -> bool:
        """Whatever other pay-off is empty gets its next drum."""
        for on in self.on[1:]:
            if on.left_m <= 0:
                drum = on.take()
                if drum is None:
                    return False
                self._wait_for(drum)
                self._put(on, drum)
        return True

    def _run_to(self, L_m: float, why: str) -> bool:
        """Run, with a stop wherever another pay-off runs out."""
        c, v, share = self.campaign, self.recipe.setpoints.speed_m_per_min / 60.0, taken(self.recipe)
        while L_m - self.way.L_m > 1e-6:
            others = [on.left_m / share for on in self.on[1:]]
            length_m = min([L_m - self.way.L_m, *others])
            last = length_m == L_m - self.way.L_m
            self.way.run(length_m, v, c.ramp_s, why if last else CHANGES)
            if last:
                self.way.L_m = L_m
            for on in self.on[1:]:
                left_m = on.left_m - length_m * share
                on.left_m = left_m if left_m > 1e-6 else 0.0
            if not self._fill():
                return False
        return True

    def _pieces(self, drum: Wound, length_m: float) -> list[tuple[float, bool]]:
        """How the rewinder cuts around what is known to be bad, from the outer end: (length, whether it is scrap)."""
        c = self.campaign
        bad = sorted((drum.length_m - f.metre - c.guard_m, drum.length_m - f.metre + c.guard_m) for f in drum.flaws)
        reel_m = c.reel_m or length_m
        out: list[tuple[float, bool]] = []
        at = 0.0
        for start, end in [*bad, (length_m, length_m)]:
            while start - at >= reel_m:
                out.append((reel_m, False))
                at += reel_m
            if start - at >= c.short_m:
                out.append((start - at, False))
                at = start
            if end > at:
                out.append((min(end, length_m) - at, True))
                at = min(end, length_m)
        return _joined(out)

    def _burn(self, burn_s: float) -> None:
        """The specimen is measured off and mounted, then it burns where it hangs."""
        c = self.campaign
        self.drum_changes.append(
            DrumBegin(t_s=self.way.now_s, L_m=self.way.L_m, name=next(self.names), length_m=c.specimen_m)
        )
        self.way.run(c.specimen_m, 0.2, 2.0, "mounted", quiet=True)
        self.way.wait_until(self.way.now_s + SETTLES_S)
        begins = self.way.now_s
        fails = c.fails_after_s[len(self.flame_tests) % len(c.fails_after_s)] if c.fails_after_s else 0.0
        lit_s = min(burn_s, fails + 60.0) if fails else burn_s
        self.way.report("running", "ignition")
        self.way.wait_until(begins + lit_s)
        self.way.report("stopped", "flame out")
        self.flame_tests.append(FlameTest(begins, begins + lit_s, begins + fails if fails else None))
        self.way.wait_until(self.way.now_s + c.change_s)
        self.drum_changes.append(DrumBegin(t_s=self.way.now_s, L_m=self.way.L_m, name=None, length_m=None))
        self.way.wait_until(self.way.now_s + 2.0)


def _joined(pieces: list[tuple[float, bool]]) -> list[tuple[float, bool]]:
    """Scrap next to scrap is one piece; what is too short to be one goes with the piece after it, or else before."""
    out: list[tuple[float, bool]] = []
    short_m = 0.0
    for length, scrap in pieces:
        if out and scrap and out[-1][1]:
            out[-1] = (out[-1][0] + length, True)
        elif short_m + length <= SHORTEST_M:
            short_m += length
        else:
            out.append((short_m + length, scrap))
            short_m = 0.0
    if out and short_m:
        out[-1] = (out[-1][0] + short_m, out[-1][1])
    return out


def inherited(schedule: LineSchedule, line: Line, recipe: Recipe) -> list[tuple[str, Flaw]]:
    """Flaws of the drums put on, by pay-off, as line metres of this line, in order."""
    share, found = taken(recipe), []
    for put in schedule.put_on:
        entry_m = put.L_m + line.counter_m - line.stations[put.station].position_m
        for flaw in put.drum.flaws:
            metre = entry_m + (put.left_m - flaw.metre) / share
            cause = flaw.cause if " of " in flaw.cause else f"{flaw.cause} of {put.drum.name}"
            found.append((put.station, Flaw(metre, cause)))
    return sorted(found, key=lambda one: one[1].metre)
