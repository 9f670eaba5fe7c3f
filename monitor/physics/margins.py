"""Margins of a steady line to its limits of cure, in speed and in each temperature, and which limit comes first.

Undercure (inner index too low) is met by going faster or colder; overheating (surface too hot, or too long hot) by
going slower or hotter. Each is monotone in speed and in every temperature, so each margin is one root.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from monitor.physics.conduction import Wall
from monitor.physics.cure import Cable, Cured, Way, cured, new_elements
from monitor.physics.heat_march import Route, march
from monitor.physics.kinetics import Rate
from monitor.physics.root import root

UNDERCURED, SURFACE, DEGRADATION = "undercured", "surface too hot", "too long hot"
SLOWEST, FASTEST = 0.1, 10.0  # times the present speed; no root is looked for beyond
WIDEST_K = 400.0
STEP_S = 2.0  # longest step: what a margin gains by a shorter one is below 0.1 % of the index (tests/physics)


@dataclass(frozen=True, slots=True)
class CureLimits:
    """Least inner index; highest surface temperature [degC] and degradation index, infinite where there is none."""

    index_min: float
    surface_max_C: float = np.inf
    degradation_max: float = np.inf

    def over(self, c: Cured) -> tuple[float, str]:
        """How far the nearer of the two overheating limits is passed (below 0: not), and its name."""
        surface = (c.peak_C - self.surface_max_C) / 100.0
        degraded = float(np.log(max(c.degradation, 1e-300)) - np.log(self.degradation_max)) / 10.0
        return (surface, SURFACE) if surface >= degraded else (degraded, DEGRADATION)

    def under(self, c: Cured) -> float:
        """How far the index is below its limit (below 0: it is not)."""
        return float(np.log(self.index_min / max(c.index_inner, 1e-300)))


@dataclass(frozen=True, slots=True)
class Margin:
    """Headroom to a limit, in m/s or K, negative where it is passed already; None where no limit lies within reach."""

    room: float | None
    limit: str


@dataclass(frozen=True, slots=True)
class Margins:
    """Headroom of a steady line: `faster` and `slower` in m/s, `colder` and `hotter` in K by temperature."""

    faster: Margin
    slower: Margin
    colder: Mapping[str, Margin]
    hotter: Mapping[str, Margin]


@dataclass(frozen=True, slots=True, kw_only=True)
class Steady:
    """A line in steady state, ready to be solved for many speeds and temperatures: films are decomposed once."""

    cable: Cable
    way: Way
    wall: Wall
    route: Route
    t90: Rate
    ageing: Rate

    @classmethod
    def of(cls, cable: Cable, way: Way, t90: Rate, ageing: Rate) -> "Steady":
        """From a cable and its way; temperatures of the zones must be constant."""
        wall = cable.wall()
        return cls(cable=cable, way=way, wall=wall, route=way.route(wall), t90=t90, ageing=ageing)

    def at(self, speed_m_s: float, warmer_K: Mapping[str, float] | None = None) -> Cured:
        """At one speed, zones of these names warmer by so much."""
        more = warmer_K or {}
        zones = tuple(replace(z, T_C=(z.T_C[0] + more.get(z.name, 0.0),)) for z in self.way.zones)
        element = new_elements(self.cable, self.wall, self.route, np.zeros(1))
        cross_s = self.route.edges_m[None, :] / speed_m_s
        march(element, cross_s, self.route, replace(self.way, zones=zones).media(), self.t90, self.ageing, STEP_S)
        return cured(element, self.wall, 0)


def margins(steady: Steady, speed_m_s: float, limits: CureLimits, names: Sequence[str]) -> Margins:
    """Headroom around a speed; `names` are those of zones whose temperatures can be turned."""
    up = root(lambda v: limits.under(steady.at(v)), SLOWEST * speed_m_s, FASTEST * speed_m_s, 1e-3)
    down = root(lambda v: limits.over(steady.at(v))[0], SLOWEST * speed_m_s, FASTEST * speed_m_s, 1e-3)
    slower = Margin(None, "") if down is None else Margin(speed_m_s - down, limits.over(steady.at(down))[1])
    faster = Margin(None, "") if up is None else Margin(up - speed_m_s, UNDERCURED)
    turned = {name: _turned(steady, speed_m_s, limits, name) for name in dict.fromkeys(names)}
    return Margins(faster, slower, {n: c for n, (c, _) in turned.items()}, {n: h for n, (_, h) in turned.items()})


def _turned(steady: Steady, speed_m_s: float, limits: CureLimits, name: str) -> tuple[Margin, Margin]:
    """Headroom of one temperature downwards and upwards."""
    low = root(lambda K: limits.under(steady.at(speed_m_s, {name: K})), -WIDEST_K, WIDEST_K, 0.1)
    high = root(lambda K: limits.over(steady.at(speed_m_s, {name: K}))[0], -WIDEST_K, WIDEST_K, 0.1)
    colder = Margin(None, "") if low is None else Margin(-low, UNDERCURED)
    if high is None:
        return colder, Margin(None, "")
    return colder, Margin(high, limits.over(steady.at(speed_m_s, {name: high}))[1])
