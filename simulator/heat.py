"""Heat and cure across the wall of an element that moves with the cable: collocation in radius, implicit in time.

The model: one round element, conductor at one temperature in perfect contact with the wall; conduction in the wall;
a film coefficient to the zone's air or water at the surface; axial conduction and heat of reaction left out.
Space: Chebyshev collocation on the Gauss-Lobatto points of the wall (Trefethen, Spectral Methods in MATLAB, 2000,
from memory). Time: the three-stage L-stable diagonally implicit method of third order (Alexander, SIAM J. Numer.
Anal. 14 (1977) 1006, from memory). Many elements are solved side by side. Units SI, temperatures deg C.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import chebyshev

from monitor.contract.config.recipe import Arrhenius
from monitor.contract.record import Floats

GAS_J_MOLK = 8.314462618
ZERO_C_K = 273.15
ORDER = 16
STEP_S = 0.1

_G = 0.43586652150845906
_B1, _B2 = -(6 * _G**2 - 16 * _G + 1) / 4, (6 * _G**2 - 20 * _G + 5) / 4
_A = ((), ((1 - _G) / 2,), (_B1, _B2))
_C = (_G, (1 + _G) / 2, 1.0)
_WEIGHTS = (_B1, _B2, _G)

Air = Callable[[Floats], Floats]


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatedWall:
    """Radii in m, densities in kg/m3, heats in J/kgK, conductivity in W/mK."""

    core_radius_m: float
    outer_radius_m: float
    core_rho: float
    core_cp: float
    wall_rho: float
    wall_cp: float
    wall_k: float


@dataclass(frozen=True, slots=True)
class PathPiece:
    """A piece of the path with one film coefficient; `air_C` gives the temperature around at times in s."""

    film_W_m2K: float
    air_C: Air


@dataclass(frozen=True, slots=True, kw_only=True)
class CuredElements:
    """Each element when it leaves: temperatures in deg C, indices without unit."""

    inner_C: Floats
    outer_C: Floats
    mean_C: Floats
    peak_C: Floats
    index_inner: Floats
    index_outer: Floats
    degradation: Floats


def rate(kinetics: Arrhenius, T_C: Floats) -> Floats:
    """Progress per second at a temperature: 1 / t(T)."""
    K, reference_K = T_C + ZERO_C_K, kinetics.reference_C + ZERO_C_K
    x = kinetics.activation_energy_J_mol / GAS_J_MOLK * (1 / K - 1 / reference_K)
    return np.asarray(np.exp(-x) / kinetics.time_s)


@dataclass(slots=True, kw_only=True)
class Collocation:
    """The wall's operator on its points: `x[0]` the surface, the last the conductor."""

    wall: HeatedWall
    r_m: Floats
    slope: Floats  # d/dr
    change: Floats  # dT/dt from all temperatures, without the surface's own equation
    weights: Floats  # of the area-weighted mean

    @classmethod
    def of(cls, wall: HeatedWall, order: int = ORDER) -> "Collocation":
        x = np.cos(np.pi * np.arange(order + 1) / order)
        half = (wall.outer_radius_m - wall.core_radius_m) / 2
        r = (wall.outer_radius_m + wall.core_radius_m) / 2 + half * x
        slope = _differentiation(x) / half
        diffusivity = wall.wall_k / (wall.wall_rho * wall.wall_cp)
        change = diffusivity * (slope @ slope + slope / r[:, None])
        core_heat = wall.core_rho * wall.core_cp * wall.core_radius_m / 2  # J/m2K of the conductor's surface
        change[-1] = wall.wall_k * slope[-1] / core_heat
        moments = np.array([2 / (1 - k * k) if k % 2 == 0 else 0.0 for k in range(order + 1)])
        area = np.linalg.solve(chebyshev.chebvander(x, order).T, moments) * r
        return cls(wall=wall, r_m=r, slope=slope, change=change, weights=area / area.sum())

    def surface(self, film_W_m2K: float) -> tuple[Floats, float]:
        """Surface temperature as a sum over the other points and a share of the air's: -k dT/dr = h (T - air)."""
        k = self.wall.wall_k
        own = film_W_m2K + k * self.slope[0, 0]
        return -k * self.slope[0, 1:] / own, film_W_m2K / own


def _differentiation(x: Floats) -> Floats:
    """Matrix of the derivative at Chebyshev points."""
    n = len(x)
    c = np.where((np.arange(n) == 0) | (np.arange(n) == n - 1), 2.0, 1.0) * (-1.0) ** np.arange(n)
    apart = x[:, None] - x[None, :] + np.eye(n)
    D = np.outer(c, 1 / c) / apart
    return np.asarray(D - np.diag(D.sum(axis=1)))


def solve(
    wall: HeatedWall,
    pieces: Sequence[PathPiece],
    edges_s: Floats,
    start_C: tuple[float, float],
    t90: Arrhenius,
    ageing: Arrhenius,
    step_s: float = STEP_S,
) -> CuredElements:
    """Elements on their way through all pieces. `edges_s[e, i]` is when element e is at edge i (one more than pieces).

    `start_C` is the temperature of conductor and wall at the first edge.
    """
    points = Collocation.of(wall)
    count = len(edges_s)
    y = np.full((count, ORDER), float(start_C[1]))  # without the surface
    y[:, -1] = start_C[0]
    march = _March(points, t90, ageing, y, np.full(count, float(start_C[1])))
    for i, piece in enumerate(pieces):
        march.through(piece, edges_s[:, i], edges_s[:, i + 1], step_s)
    everywhere = np.concatenate((march.surface_C[:, None], march.y), axis=1)
    return CuredElements(
        inner_C=march.y[:, -1], outer_C=march.surface_C, mean_C=everywhere @ points.weights, peak_C=march.peak_C,
        index_inner=march.inner, index_outer=march.outer, degradation=march.degradation,
    )  # fmt: skip


class _March:
    """Elements side by side in time, each with its own step."""

    def __init__(self, points: Collocation, t90: Arrhenius, ageing: Arrhenius, y: Floats, surface_C: Floats) -> None:
        self.points, self.t90, self.ageing = points, t90, ageing
        self.y, self.surface_C, self.peak_C = y, surface_C, surface_C.copy()
        self.inner, self.outer, self.degradation = (np.zeros(len(y)) for _ in range(3))

    def through(self, piece: PathPiece, from_s: Floats, to_s: Floats, step_s: float) -> None:
        """One piece; steps are the finer the closer to its entry, where the surface changes fast."""
        duration = to_s - from_s
        steps = max(int(np.ceil(float(duration.max()) / step_s)), 4)
        inside, air_share = self.points.surface(piece.film_W_m2K)
        A = self.points.change[1:, 1:] + np.outer(self.points.change[1:, 0], inside)
        g = self.points.change[1:, 0] * air_share
        first = duration / steps
        for a, b, n in ((0.0, 0.25, 4), (0.25, 1.0, 3), (1.0, float(steps), steps - 1)):
            dt = first * (b - a) / n
            P = np.asarray(np.linalg.inv(np.eye(ORDER) - _G * dt[:, None, None] * A), dtype=np.float64)
            for k in range(n):
                self._step(piece, A, g, inside, air_share, from_s + first * a + k * dt, dt, P)

    def _step(
        self, piece: PathPiece, A: Floats, g: Floats, inside: Floats, air_share: float, t: Floats, dt: Floats, P: Floats
    ) -> None:
        slopes: list[Floats] = []
        for before, c, weight in zip(_A, _C, _WEIGHTS, strict=True):
            known = self.y + dt[:, None] * sum((a * k for a, k in zip(before, slopes, strict=True)), np.zeros(ORDER))
            air = piece.air_C(t + c * dt)
            slopes.append(np.einsum("eij,ej->ei", P, known @ A.T + air[:, None] * g))
            stage = known + (_G * dt)[:, None] * slopes[-1]
            surface = stage @ inside + air_share * air
            self._count(weight * dt, stage[:, -1], surface)
        self.y, self.surface_C = stage, surface  # the last stage is the step's end

    def _count(self, share_s: Floats, core_C: Floats, surface_C: Floats) -> None:
        self.inner += share_s * rate(self.t90, core_C)
        self.outer += share_s * rate(self.t90, surface_C)
        self.degradation += share_s * rate(self.ageing, surface_C)
        np.maximum(self.peak_C, surface_C, out=self.peak_C)
