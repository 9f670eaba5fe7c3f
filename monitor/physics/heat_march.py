"""Elements of cable passing pieces of path: exact steps in time, Gauss quadrature of the rates between.

A step ends where a piece of path ends, where a knot of the medium's temperature lies, and on a fixed grid of time
where knots are far apart; never where a call ends. So a march may stop and go on anywhere and gives the same to the
bit. Shortly after an edge, where the surface moves as the root of time, the quadrature runs over that root.
The rates are summed, not the temperatures; what the surface reaches is looked for at every point of the quadrature.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import cast

import numpy as np
from numpy.typing import NDArray

from monitor.physics.conduction import Film, Floats, Wall
from monitor.physics.kinetics import ZERO_C_K, R_J_molK, Rate

Ints = NDArray[np.int64]

COLDEST_K = 1.0  # a sudden medium of 1e12 degC makes a spectral wall swing below absolute zero
GRID_S = 0.5
ROOT_S = 0.4  # for so long after an edge the quadrature runs over the root of time


def _gauss(n: int) -> tuple[Floats, Floats]:
    x, w = np.polynomial.legendre.leggauss(n)
    return np.asarray((x + 1) / 2, dtype=np.float64), np.asarray(w / 2, dtype=np.float64)


_EVEN, _ROOT = _gauss(3), _gauss(7)


@dataclass(frozen=True, slots=True, kw_only=True)
class Media:
    """What is around the cable: medium m has knots `first[m]` to `first[m + 1]` of (`t_s`, `T_C`), straight between.

    Where knots are further apart than `held_s` (m,), or the last is past, the last value is held and the element is
    no longer seen, unless `held_s` is infinite; before the first knot, less `held_s`, it is `rest_C` (m,). No step
    goes beyond `reach_s` (m,). Where `needed` (m,) is false, an element stays seen whatever it does not know.
    """

    first: Ints
    t_s: Floats
    T_C: Floats
    held_s: Floats
    rest_C: Floats
    reach_s: Floats
    needed: NDArray[np.bool_]

    @classmethod
    def of(cls, knots: Sequence[tuple[Floats, Floats]]) -> "Media":
        """Media that are known for all time, clamped outside their knots; one knot is a constant."""
        sizes = np.cumsum([0, *(len(t) for t, _ in knots)]).astype(np.int64)
        t_s, T_C = (np.concatenate([np.asarray(k[i], dtype=np.float64) for k in knots]) for i in (0, 1))
        ever = np.full(len(knots), np.inf)
        return cls(
            first=sizes,
            t_s=t_s,
            T_C=T_C,
            held_s=ever,
            rest_C=np.zeros(len(knots)),
            reach_s=ever,
            needed=np.ones(len(knots), dtype=bool),
        )


@dataclass(frozen=True, slots=True)
class Route:
    """Pieces of path from the first to the last of `edges_m` (p + 1,): each with its medium and its films.

    `films` (v, p) are places in the table of films: row 0 is the nominal case, others count by their inner index
    only. `medium` (p,) are places in the media.
    """

    edges_m: Floats
    films: Ints
    medium: Ints
    table: tuple[Floats, Floats, Floats, Floats] = field(repr=False)

    @classmethod
    def of(cls, wall: Wall, edges_m: Floats, film_W_m2K: Floats, medium: Ints) -> "Route":
        """One decomposition for each different film coefficient of `film_W_m2K` (v, p)."""
        kinds, places = np.unique(film_W_m2K, return_inverse=True)
        films: list[Film] = [wall.film(float(h)) for h in kinds]
        table = (
            np.maximum(np.array([f.rate_1_s for f in films]), 1e-9),
            np.ascontiguousarray([f.to_modes for f in films]),
            np.ascontiguousarray([f.from_modes for f in films]),
            np.array([f.ones for f in films]),
        )
        return cls(edges_m, places.reshape(film_W_m2K.shape).astype(np.int64), medium.astype(np.int64), table)

    @property
    def variants(self) -> int:
        """Number of cases that are marched side by side."""
        return len(self.films)


@dataclass(slots=True, kw_only=True)
class Elements:
    """Elements in motion. `t_s` (e,) is how far each is marched, `piece` (e,) where it is; `T_C` (v, e, n).

    `inner` (v, e) is the inner cure index of each case; `outer`, `degradation`, `peak_C` (e,) the nominal surface's;
    `seen` (e,) whether every medium so far was known; `passed` (e, p) the outer index at the end of each piece.
    """

    t_s: Floats
    piece: Ints
    T_C: Floats
    inner: Floats
    outer: Floats
    degradation: Floats
    peak_C: Floats
    seen: NDArray[np.bool_]
    passed: Floats

    @classmethod
    def at_start(cls, t_s: Floats, start_C: Floats, route: Route) -> "Elements":
        """Elements at the first edge at times (e,), with node temperatures `start_C` (n,)."""
        e, v = len(t_s), route.variants
        T = np.tile(start_C, (v, e, 1))
        passed = np.full((e, len(route.medium)), np.nan)
        return cls(
            t_s=t_s.copy(), piece=np.zeros(e, dtype=np.int64), T_C=T, inner=np.zeros((v, e)), outer=np.zeros(e),
            degradation=np.zeros(e), peak_C=np.full(e, float(start_C[-1])), seen=np.ones(e, dtype=bool), passed=passed,
        )  # fmt: skip

    def __len__(self) -> int:
        return len(self.t_s)

    def take(self, which: slice | NDArray[np.bool_] | Ints) -> "Elements":
        """A copy of some of them."""
        return Elements(
            t_s=self.t_s[which].copy(), piece=self.piece[which].copy(), T_C=np.ascontiguousarray(self.T_C[:, which]),
            inner=np.ascontiguousarray(self.inner[:, which]), outer=self.outer[which].copy(),
            degradation=self.degradation[which].copy(), peak_C=self.peak_C[which].copy(), seen=self.seen[which].copy(),
            passed=self.passed[which].copy(),
        )  # fmt: skip

    def nominal(self) -> "Elements":
        """A copy with the nominal case alone."""
        copy = self.take(slice(None))
        copy.T_C, copy.inner = copy.T_C[:1].copy(), copy.inner[:1].copy()
        return copy

    def join(self, other: "Elements") -> "Elements":
        """These and others behind them."""
        pairs = {name: (getattr(self, name), getattr(other, name)) for name in self.__dataclass_fields__}
        return Elements(**{k: np.concatenate(p, axis=1 if k in ("T_C", "inner") else 0) for k, p in pairs.items()})


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """History of one element, step by step: times, inner and surface temperature, indices, degradation (k,)."""

    t_s: Floats
    inner_C: Floats
    surface_C: Floats
    index_inner: Floats
    index_outer: Floats
    degradation: Floats


def march(
    elements: Elements, cross_s: Floats, route: Route, media: Media, t90: Rate, ageing: Rate, grid_s: float = GRID_S
) -> None:
    """Move elements on, in place, as far as the media reach.

    `cross_s` (e, p + 1) is when each element reaches each edge of the route, infinite where that is not known yet.
    """
    _run(elements, cross_s, route, media, t90, ageing, grid_s, np.empty((0, 6)))


def march_traced(
    elements: Elements, cross_s: Floats, route: Route, media: Media, t90: Rate, ageing: Rate, grid_s: float = GRID_S
) -> Trace:
    """As `march`, of one element, with its history after every step; the start is the first row."""
    if len(elements) != 1:
        raise ValueError(f"expected one element to trace, got {len(elements)}")
    last = cross_s[0][np.isfinite(cross_s[0])].max()
    room = int((last - elements.t_s[0]) / grid_s) + len(media.t_s) * len(route.medium) + 4 * len(route.medium) + 8
    rows = np.full((room, 6), np.nan)
    start = np.array(
        [[elements.t_s[0], elements.T_C[0, 0, 0], elements.T_C[0, 0, -1], elements.inner[0, 0], elements.outer[0],
          elements.degradation[0]]]
    )  # fmt: skip
    count = _run(elements, cross_s, route, media, t90, ageing, grid_s, rows)
    t_s, inner_C, surface_C, index_inner, index_outer, degradation = np.concatenate((start, rows[:count])).T
    return Trace(
        t_s=t_s, inner_C=inner_C, surface_C=surface_C, index_inner=index_inner, index_outer=index_outer,
        degradation=degradation,
    )  # fmt: skip


def _run(
    elements: Elements, cross_s: Floats, route: Route, media: Media, t90: Rate, ageing: Rate, grid_s: float,
    rows: Floats,
) -> int:  # fmt: skip
    E, A = t90.activation_J_mol / R_J_molK, ageing.activation_J_mol / R_J_molK
    rates = np.array(
        [E / (t90.reference_C + ZERO_C_K) - np.log(t90.time_s), E,
         A / (ageing.reference_C + ZERO_C_K) - np.log(ageing.time_s), A]
    )  # fmt: skip
    x = elements
    return int(
        _compiled()(
            x.t_s, x.piece, x.T_C, x.inner, x.outer, x.degradation, x.peak_C, x.seen, x.passed,
            cross_s, route.films, route.medium, *route.table,
            media.first, media.t_s, media.T_C, media.held_s, media.rest_C, media.reach_s, media.needed,
            rates, *_EVEN, *_ROOT, grid_s, rows,
        )
    )  # fmt: skip


def _march_one_by_one(  # type: ignore[no-untyped-def]
    t_s, piece, T, inner, outer, degradation, peak, seen, passed, cross, films, medium, rate, to, back, ones,
    first, knot_t, knot_T, held, rest, reach, needed, rates, even_x, even_w, root_x, root_w, grid_s, rows,
):  # fmt: skip
    """The loop over elements and steps. Compiled; plain arithmetic in a fixed order, so that results repeat."""
    V, E, n = T.shape
    y, at, weight = np.empty(n), np.empty(len(root_x)), np.empty(len(root_x))
    traced = 0
    for e in range(E):
        while piece[e] < len(medium):
            p = piece[e]
            m = medium[p]
            now = t_s[e]
            a, b = first[m], first[m + 1]
            k = a + np.searchsorted(knot_t[a:b], now, side="right") - 1
            grid = (np.floor(now / grid_s) + 1.0) * grid_s
            if grid <= now:  # a grid that no binary number holds exactly
                grid += grid_s
            start, slope, known, next_s = rest[m], 0.0, True, grid
            if k < a:
                known = b > a and now >= knot_t[a] - held[m]
                if known:
                    start = knot_T[a]
                if b > a:
                    next_s = min(grid, knot_t[a])
            elif k == b - 1:
                start = knot_T[k]
                known = held[m] == np.inf
            else:
                gap = knot_t[k + 1] - knot_t[k]
                known = gap <= held[m]
                start = knot_T[k]
                if known:
                    slope = (knot_T[k + 1] - knot_T[k]) / gap
                    start += slope * (now - knot_t[k])
                next_s = knot_t[k + 1] if gap <= min(1.0, held[m]) else min(grid, knot_t[k + 1])
            leaves = cross[e, p + 1] <= next_s
            if leaves:
                next_s = cross[e, p + 1]
            if next_s > reach[m]:
                break
            dt = next_s - now
            if dt > 0.0:
                if needed[m] and not known:
                    seen[e] = False
                since = max(now - cross[e, p], 0.0)
                if since < ROOT_S:
                    q = len(root_x)
                    s0, s1 = np.sqrt(since), np.sqrt(since + dt)
                    for i in range(q):
                        s = s0 + (s1 - s0) * root_x[i]
                        at[i] = s * s - since
                        weight[i] = 2.0 * s * (s1 - s0) * root_w[i]
                else:
                    q = len(even_x)
                    for i in range(q):
                        at[i], weight[i] = dt * even_x[i], dt * even_w[i]
                for v in range(V):
                    f = films[v, p]
                    for j in range(n):
                        total = 0.0
                        for i in range(n):
                            total += to[f, j, i] * (T[v, e, i] - start)
                        y[j] = total
                    for i in range(q):
                        core, surface = start + slope * at[i], start + slope * at[i]
                        for j in range(n):
                            lag = slope * ones[f, j] / rate[f, j]
                            z = (y[j] + lag) * np.exp(-rate[f, j] * at[i]) - lag
                            core += back[f, 0, j] * z
                            surface += back[f, n - 1, j] * z
                        inner[v, e] += weight[i] * np.exp(rates[0] - rates[1] / max(core + 273.15, COLDEST_K))
                        if v == 0:
                            outer[e] += weight[i] * np.exp(rates[0] - rates[1] / max(surface + 273.15, COLDEST_K))
                            degradation[e] += weight[i] * np.exp(rates[2] - rates[3] / max(surface + 273.15, COLDEST_K))
                            peak[e] = max(peak[e], surface)
                    for j in range(n):
                        lag = slope * ones[f, j] / rate[f, j]
                        y[j] = (y[j] + lag) * np.exp(-rate[f, j] * dt) - lag
                    for i in range(n):
                        total = start + slope * dt
                        for j in range(n):
                            total += back[f, i, j] * y[j]
                        T[v, e, i] = total
                peak[e] = max(peak[e], T[0, e, n - 1])
                if traced < len(rows):
                    rows[traced, 0], rows[traced, 1], rows[traced, 2] = next_s, T[0, e, 0], T[0, e, n - 1]
                    rows[traced, 3], rows[traced, 4], rows[traced, 5] = inner[0, e], outer[e], degradation[e]
                    traced += 1
            t_s[e] = next_s
            if leaves:
                passed[e, p] = outer[e]
                piece[e] = p + 1
    return traced


@cache
def _compiled() -> Callable[..., int]:
    """The loop as machine code, which numba keeps beside this file: the first process ever compiles, others load it.

    numba is imported here, at the first march, and not above: it takes as long as half of a monitor's start, and most
    commands march nothing.
    """
    import numba

    return cast("Callable[..., int]", numba.njit(cache=True)(_march_one_by_one))
