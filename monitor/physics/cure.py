"""Cure of one element of cable passing zones at any speed and any temperatures: the whole model in a call.

The element is an isothermal conductor in a wall that conducts; each zone has one film coefficient and one temperature
over time; indices are integrals of Arrhenius rates from entry to exit. Left out: axial conduction, heat of reaction,
memory of scorch, and radiation other than in the film coefficient.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from monitor.physics.conduction import NODES, Floats, Wall
from monitor.physics.heat_march import GRID_S, Elements, Ints, Media, Route, Trace, march, march_traced
from monitor.physics.kinetics import Rate

PROFILE_S = 0.125  # between two points of a profile


@dataclass(frozen=True, slots=True, kw_only=True)
class Cable:
    """Radii [m], densities [kg/m3], heats [J/kgK], conductivity [W/mK] of core and wall, and how both come in [degC].

    A conductor density of 0 is a wall that is adiabatic inside: a sheath over a bundle.
    """

    inner_m: float
    outer_m: float
    core_kg_m3: float
    core_J_kgK: float
    wall_kg_m3: float
    wall_J_kgK: float
    wall_W_mK: float
    core_C: float
    wall_C: float

    def wall(self, nodes: int = NODES) -> Wall:
        """The wall on its nodes. ValueError outside the possible."""
        core_J_mK = np.pi * self.inner_m**2 * self.core_kg_m3 * self.core_J_kgK
        heat_J_m3K = self.wall_kg_m3 * self.wall_J_kgK
        return Wall.of(self.inner_m, self.outer_m, self.wall_W_mK, heat_J_m3K, core_J_mK, nodes)


@dataclass(frozen=True, slots=True, kw_only=True)
class PathZone:
    """Path from `start_m` to `end_m`: one film coefficient; temperature by knots, straight between, held outside."""

    start_m: float
    end_m: float
    film_W_m2K: float
    T_C: tuple[float, ...]
    t_s: tuple[float, ...] = (0.0,)
    name: str = ""


@dataclass(frozen=True, slots=True)
class Way:
    """Zones on the path from 0 to `exit_m`; anywhere else is `air`, whose own start and end do not count."""

    zones: tuple[PathZone, ...]
    air_film_W_m2K: float
    air_C: float
    exit_m: float

    def edges_m(self, also_m: Sequence[float] = ()) -> Floats:
        """Where one piece of path ends and the next begins (p + 1,)."""
        inner = {e for z in self.zones for e in (z.start_m, z.end_m)} | set(also_m)
        return np.array([0.0, *sorted(e for e in inner if 0 < e < self.exit_m), self.exit_m])

    def route(self, wall: Wall, also_m: Sequence[float] = ()) -> Route:
        """Pieces of path; media are the zones in their order, then the air."""
        edges = self.edges_m(also_m)
        places = self.zone_at((edges[1:] + edges[:-1]) / 2)
        films = [self.zones[i].film_W_m2K if i >= 0 else self.air_film_W_m2K for i in places.tolist()]
        medium = np.where(places >= 0, places, len(self.zones))
        return Route.of(wall, edges, np.array([films]), medium)

    def media(self) -> Media:
        """Temperatures of the zones, then of the air."""
        knots = [(np.array(z.t_s), np.array(z.T_C)) for z in self.zones]
        return Media.of([*knots, (np.array([0.0]), np.array([self.air_C]))])

    def zone_at(self, position_m: Floats) -> Ints:
        """Places in `zones` of path positions (k,), -1 for the air."""
        at = [next((i for i, z in enumerate(self.zones) if z.start_m <= p < z.end_m), -1) for p in position_m.tolist()]
        return np.array(at, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Speed:
    """Line speed over time by knots [s, m/s], straight between, held outside. Never below 0."""

    t_s: tuple[float, ...]
    v_m_s: tuple[float, ...]

    def __post_init__(self) -> None:
        rises = all(a <= b for a, b in pairwise(self.t_s))
        if len(self.t_s) != len(self.v_m_s) or not self.t_s or not rises or min(self.v_m_s) < 0:
            raise ValueError(f"expected knots that rise in time with speeds >= 0, got {self.t_s} and {self.v_m_s}")

    def when(self, entry_s: float, distance_m: Floats) -> Floats:
        """Times at which cable that entered at `entry_s` first reaches distances (p,), rising; infinite where never."""
        v = np.interp(entry_s, self.t_s, self.v_m_s)
        later = [(t, w) for t, w in zip(self.t_s, self.v_m_s, strict=True) if t > entry_s]
        knots = [(entry_s, float(v)), *later, (np.inf, self.v_m_s[-1])]
        out = np.full(len(distance_m), np.inf)
        s, i = 0.0, 0
        for (t0, v0), (t1, v1) in pairwise(knots):
            gone = 0.5 * (v0 + v1) * (t1 - t0) if np.isfinite(t1) else np.inf if v0 > 0 else 0.0
            while i < len(out) and distance_m[i] <= s + gone:
                out[i] = t0 + _time_over(float(distance_m[i]) - s, v0, v1, t1 - t0)
                i += 1
            s += gone
        return out

    def distance_m(self, entry_s: float, t_s: Floats) -> Floats:
        """Distance gone since `entry_s` at times (k,)."""
        knots = np.unique(np.concatenate(([entry_s, float(np.max(t_s, initial=entry_s))], self.t_s)))
        v = np.interp(knots, self.t_s, self.v_m_s)
        S = np.concatenate(([0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) * np.diff(knots))))
        return self._from_start(knots, v, S, t_s) - self._from_start(knots, v, S, np.array([entry_s]))

    @staticmethod
    def _from_start(knots: Floats, v: Floats, S: Floats, t_s: Floats) -> Floats:
        i = np.clip(np.searchsorted(knots, t_s, side="right") - 1, 0, max(len(knots) - 2, 0))
        dt = t_s - knots[i]
        slope = (v[i + 1] - v[i]) / (knots[i + 1] - knots[i]) if len(knots) > 1 else 0.0
        return np.asarray(S[i] + dt * (v[i] + 0.5 * slope * dt))


def _time_over(s: float, v0: float, v1: float, duration_s: float) -> float:
    """Time to go `s` while the speed changes evenly from v0 to v1 in `duration_s`; the root that does not cancel."""
    if s <= 0:
        return 0.0
    change = (v1 - v0) / duration_s if np.isfinite(duration_s) else 0.0
    return float(min(2 * s / (v0 + np.sqrt(max(v0 * v0 + 2 * change * s, 0.0))), duration_s))


@dataclass(frozen=True, slots=True, kw_only=True)
class Cured:
    """An element as it leaves: temperatures [degC], indices [1], time [s]."""

    inner_C: float
    outer_C: float
    mean_C: float
    peak_C: float
    index_inner: float
    index_outer: float
    degradation: float
    exit_s: float


@dataclass(frozen=True, slots=True)
class Profile:
    """An element along its path: positions [m] and values there (k,)."""

    position_m: Floats
    trace: Trace


def cure(
    cable: Cable, way: Way, speed: Speed, entry_s: float, t90: Rate, ageing: Rate,
    nodes: int = NODES, grid_s: float = GRID_S,
) -> Cured:  # fmt: skip
    """One element from entry to exit. ValueError where it never leaves."""
    wall = cable.wall(nodes)
    route = way.route(wall)
    cross_s = _crossings(route, speed, entry_s)
    element = new_elements(cable, wall, route, np.array([entry_s]))
    march(element, cross_s, route, way.media(), t90, ageing, grid_s)
    return cured(element, wall, 0)


def cure_each(cable: Cable, way: Way, speed: Speed, entries_s: Sequence[float], t90: Rate, ageing: Rate) -> list[Cured]:
    """Elements that enter at different times (e,), each as `cure` has it, in one march."""
    wall = cable.wall()
    route = way.route(wall)
    cross_s = np.concatenate([_crossings(route, speed, entry_s) for entry_s in entries_s])
    elements = new_elements(cable, wall, route, np.array(entries_s, dtype=np.float64))
    march(elements, cross_s, route, way.media(), t90, ageing)
    return [cured(elements, wall, i) for i in range(len(elements))]


def profile(
    cable: Cable, way: Way, speed: Speed, entry_s: float, t90: Rate, ageing: Rate, also_m: Sequence[float] = ()
) -> Profile:
    """One element along its path, at every zone's edge, at `also_m` and a few times a second between."""
    wall = cable.wall()
    route = way.route(wall, also_m)
    cross_s = _crossings(route, speed, entry_s)
    element = new_elements(cable, wall, route, np.array([entry_s]))
    trace = march_traced(element, cross_s, route, way.media(), t90, ageing, PROFILE_S)
    return Profile(speed.distance_m(entry_s, trace.t_s), trace)


def _crossings(route: Route, speed: Speed, entry_s: float) -> Floats:
    cross_s = speed.when(entry_s, route.edges_m)
    if not np.isfinite(cross_s[-1]):
        raise ValueError(f"the element never reaches {route.edges_m[-1]} m: the line never restarts; give a restart")
    return cross_s[None, :]


def new_elements(cable: Cable, wall: Wall, route: Route, t_s: Floats) -> Elements:
    """Elements at the head at times (e,), as core and compound come in."""
    fresh = Elements.at_start(t_s, wall.start_C(cable.core_C, cable.wall_C), route)
    fresh.peak_C[:] = cable.wall_C
    return fresh


def cured(elements: Elements, wall: Wall, i: int) -> Cured:
    """Element i as it is now, in the nominal case."""
    T = elements.T_C[0, i]
    x = elements
    return Cured(
        inner_C=float(T[0]), outer_C=float(T[-1]), mean_C=float(wall.mean_C(T)), peak_C=float(x.peak_C[i]),
        index_inner=float(x.inner[0, i]), index_outer=float(x.outer[i]), degradation=float(x.degradation[i]),
        exit_s=float(x.t_s[i]),
    )  # fmt: skip
