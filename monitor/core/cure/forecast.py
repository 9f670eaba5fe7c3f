"""Forecast for the cable now in the line: if nothing changes, at the slowest speed, and at the highest with full cure.

A forecast holds the oven temperatures of its moment and one line speed, reached at once. While the line stops, it is
a restart at that speed, at once. It is what can be known without guessing at what people will do.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.record import Floats
from monitor.contract.units import convert
from monitor.core.cure.plan import Plan, way_of
from monitor.physics.heat_march import Elements, Media, march
from monitor.physics.margins import STEP_S, Margins, Steady, margins

Flags = NDArray[np.bool_]
SPEED_STEP_M_S = 0.01
ACT_STEP_S = 0.5
SLOWEST_OF_SET = 0.8  # of the set speed, where the recipe has no lower limit of speed


@dataclass(frozen=True, slots=True, kw_only=True)
class Inside:
    """Cable inside the line at `t_s`: whole metres (e,), where their middles are (e,), when they passed edges.

    Elements are at the end of their last step, a little before: `marched_m` (e,) is where that was.
    """

    t_s: float
    metres: Floats
    position_m: Floats
    crossed_s: Floats
    marched_m: Floats
    elements: Elements

    def cross_s(self, edges_m: Floats, speed_m_s: float, first_m_s: float, first_s: float) -> Floats:
        """When each reaches each edge (e, p + 1) at `first_m_s` for `first_s`, then at `speed_m_s`."""
        ahead = edges_m[None, :] - self.position_m[:, None]
        early = first_m_s * first_s
        first = ahead / first_m_s if first_m_s > 0 else np.full_like(ahead, np.inf)
        later = self.t_s + np.where(ahead <= early, first, first_s + (ahead - early) / speed_m_s)
        return np.asarray(np.where(ahead <= 0, np.minimum(self.crossed_s, self.t_s), later))


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Metres inside and their cure at the take-up. `lost` (e,) cannot be recovered, `at_risk` (e,) can; speeds in m/s.

    `save_m_s` saves every metre at risk if it is taken by `act_by_s`; both None where none is at risk.
    `overheated` (e,) is so already. `standing`: a restart at `speed_m_s` is meant. `index` (e,) is at the take-up.
    """

    t_s: float
    standing: bool
    speed_m_s: float
    slowest_m_s: float
    inside: Inside
    index: Floats
    lost: Flags
    at_risk: Flags
    overheated: Flags
    save_m_s: float | None = None
    act_by_s: float | None = None

    @property
    def metres(self) -> Floats:
        """Whole line metres inside (e,)."""
        return self.inside.metres


def media_from(plan: Plan, knots: list[tuple[Floats, Floats]], t_s: float, since_s: float) -> Media:
    """Media from `since_s` to `t_s`, constant after that."""
    held = []
    for times, values in knots:
        end = int(np.searchsorted(times, t_s, side="right"))
        first = max(int(np.searchsorted(times[:end], since_s, side="right")) - 1, 0)
        held.append((times[first:end], values[first:end]) if end else (np.array([t_s]), np.array([plan.air_C])))
    return Media.of([*held, (np.array([t_s]), np.array([plan.air_C]))])


def foresee(
    plan: Plan, inside: Inside, knots: list[tuple[Floats, Floats]], speed_m_s: float, slowest_m_s: float, standing: bool
) -> Forecast:
    """The forecast of one moment. Speeds > 0 m/s."""
    limits, route = plan.limits, plan.nominal
    media = media_from(plan, knots, inside.t_s, float(inside.elements.t_s.min(initial=inside.t_s)))

    def index(which: Flags, speed: float, first: float = 1.0, first_s: float = 0.0) -> Floats:
        some = Inside(
            t_s=inside.t_s, metres=inside.metres[which], position_m=inside.position_m[which],
            crossed_s=inside.crossed_s[which], marched_m=inside.marched_m[which], elements=inside.elements.take(which),
        )  # fmt: skip
        cross_s = some.cross_s(route.edges_m, speed, first, first_s)
        march(some.elements, cross_s, route, media, plan.t90, plan.ageing, STEP_S)
        return np.asarray(some.elements.inner[0])

    every = np.ones(len(inside.metres), dtype=bool)
    found = index(every, speed_m_s)
    under = found < limits.index_min
    lost = under.copy()
    if under.any() and slowest_m_s < speed_m_s:
        lost[under] = index(under, slowest_m_s) < limits.index_min
    at_risk = under & ~lost
    save, act_by = None, None
    if at_risk.any():
        save = _highest(
            lambda v: bool((index(at_risk, v) >= limits.index_min).all()), slowest_m_s, speed_m_s, SPEED_STEP_M_S
        )
        leaves_s = float((route.edges_m[-1] - inside.position_m[at_risk]).min() / speed_m_s)
        first_s = 0.0 if standing else _highest(
            lambda s: bool((index(at_risk, slowest_m_s, speed_m_s, s) >= limits.index_min).all()),
            0.0, leaves_s, ACT_STEP_S,
        )  # fmt: skip
        act_by = inside.t_s + first_s
    x = inside.elements
    overheated = (x.peak_C > limits.surface_max_C) | (x.degradation > limits.degradation_max)
    return Forecast(
        t_s=inside.t_s,
        standing=standing,
        speed_m_s=speed_m_s,
        slowest_m_s=slowest_m_s,
        inside=inside,
        index=found,
        lost=lost,
        at_risk=at_risk,
        overheated=overheated,
        save_m_s=save,
        act_by_s=act_by,
    )


def _highest(good, low: float, high: float, step: float) -> float:  # type: ignore[no-untyped-def]
    """The highest place, to a step, where `good` still holds; it holds at `low` and not at `high`."""
    while high - low > step:
        middle = (low + high) / 2
        low, high = (middle, high) if good(middle) else (low, middle)
    return low


def slowest_m_s(line: Line, recipe: Recipe) -> float:
    """Lowest speed [m/s] the recipe allows: the lower limit of its window of line speed, if a line moves at that."""
    least = max(line.stopped_below_m_per_min / 60.0, SPEED_STEP_M_S)
    for window in recipe.window:
        lower = [at for at in (window.lolo, window.lo) if at is not None]
        if window.stream == line.counter.speed and lower:
            return max(convert(min(lower), window.unit, "m/s"), least)
    return SLOWEST_OF_SET * recipe.setpoints.speed_m_per_min / 60.0


def room(line: Line, plan: Plan, zone_C: dict[str, float], speed_m_s: float) -> Margins:
    """Headroom of the line in steady state at one speed and these temperatures by name of zone."""
    steady = Steady.of(plan.cable, way_of(line, zone_C), plan.t90, plan.ageing)
    ovens = [z.name for z in line.zone if z.medium == "air" and z.temperature]
    return margins(steady, speed_m_s, plan.limits, ovens)
