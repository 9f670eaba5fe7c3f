"""Heat through the wall of a round cable: a lumped conductor, a wall on a few nodes, exact steps in time.

The wall is one spectral element on Gauss-Lobatto points, which crowd at both faces: the equations are Galerkin's, so
that energy is conserved as in finite volumes, the masses are lumped, and 8 points are nearer to the truth than 80
volumes (measured in tests/bench).

    a < r < b:  rho c dT/dt = 1/r d/dr (k r dT/dr)
    r = a:      core_J_mK dT/dt = 2 pi a k dT/dr
    r = b:      -k dT/dr = h (T - M)

Temperatures are in degC, M is the temperature of the medium around, lengths are per metre of cable.
Symmetrised by the square roots of the capacities, the equations have real eigenvalues: one decomposition per film
coefficient, then any step is exact for a medium that changes linearly in time (H. S. Carslaw, J. C. Jaeger,
Conduction of Heat in Solids, for the problem; the method is common linear algebra).
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

Floats = NDArray[np.float64]

NODES = 12


def lobatto(n: int) -> tuple[Floats, Floats, Floats]:
    """Points (n,), weights (n,) and derivative matrix (n, n) of Gauss-Lobatto-Legendre on -1..1; n >= 2."""
    last = np.zeros(n)
    last[-1] = 1.0
    x = np.concatenate(([-1.0], np.sort(np.real(legendre.legroots(legendre.legder(last)))), [1.0]))
    P = legendre.legval(x, last)
    apart = x[:, None] - x[None, :]
    np.fill_diagonal(apart, 1.0)
    D = P[:, None] / P[None, :] / apart
    np.fill_diagonal(D, 0.0)
    D[0, 0], D[-1, -1] = -n * (n - 1) / 4, n * (n - 1) / 4
    return x, np.asarray(2.0 / (n * (n - 1) * P**2), dtype=np.float64), np.asarray(D, dtype=np.float64)


def _check(inner_m: float, outer_m: float, conductivity_W_mK: float, heat_J_m3K: float, core_J_mK: float) -> None:
    if not 0 < inner_m < outer_m:
        raise ValueError(f"expected 0 < inner radius < outer radius, got {inner_m} and {outer_m} m")
    if not (conductivity_W_mK > 0 and heat_J_m3K > 0 and core_J_mK >= 0):
        raise ValueError(
            "expected conductivity > 0 W/mK, heat > 0 J/m3K, core >= 0 J/mK, "
            f"got {conductivity_W_mK}, {heat_J_m3K}, {core_J_mK}"
        )


@dataclass(frozen=True, slots=True)
class Wall:
    """A wall on n nodes from the inner to the outer face, and the core that follows its inner node.

    `radius_m` (n,); `capacity_J_mK` (n,) of the wall alone; `conductance_W_mK` (n, n), rows sum to 0; `core_J_mK`.
    A core of 0 is the case that is adiabatic inside: a sheath over a bundle, taken as if no heat went further in.
    """

    radius_m: Floats
    capacity_J_mK: Floats
    conductance_W_mK: Floats
    core_J_mK: float

    @classmethod
    def of(
        cls, inner_m: float, outer_m: float, conductivity_W_mK: float, heat_J_m3K: float, core_J_mK: float,
        nodes: int = NODES,
    ) -> Self:  # fmt: skip
        """The spectral element. `heat_J_m3K` is density times specific heat. ValueError outside the possible."""
        _check(inner_m, outer_m, conductivity_W_mK, heat_J_m3K, core_J_mK)
        x, w, D = lobatto(nodes)
        half = (outer_m - inner_m) / 2
        r = inner_m + half * (1 + x)
        capacity = 2 * np.pi * heat_J_m3K * half * w * r
        K = 2 * np.pi * conductivity_W_mK / half * (D.T * (w * r)) @ D
        return cls(r, capacity, (K + K.T) / 2, core_J_mK)

    @property
    def total_J_mK(self) -> Floats:
        """Capacities of the nodes (n,), the core's with the inner node's."""
        total = self.capacity_J_mK.copy()
        total[0] += self.core_J_mK
        return total

    def start_C(self, core_C: float, wall_C: float) -> Floats:
        """Node temperatures (n,) at the start; the inner node begins at the mean by energy of core and its share."""
        T = np.full(len(self.radius_m), float(wall_C))
        own = self.capacity_J_mK[0]
        T[0] = (self.core_J_mK * core_C + own * wall_C) / (self.core_J_mK + own)
        return T

    def mean_C(self, T_C: Floats) -> Floats:
        """Mean over the wall's area of node temperatures (..., n)."""
        return np.asarray(T_C @ (self.capacity_J_mK / self.capacity_J_mK.sum()))

    def film(self, film_W_m2K: float) -> "Film":
        """The wall with a film coefficient on its outer face, ready for exact steps. ValueError below 0."""
        if not film_W_m2K >= 0:
            raise ValueError(f"expected a film coefficient >= 0 W/m2K, got {film_W_m2K}")
        K = self.conductance_W_mK.copy()
        K[-1, -1] += 2 * np.pi * self.radius_m[-1] * film_W_m2K
        root = np.sqrt(self.total_J_mK)
        rate, V = np.linalg.eigh(K / root[:, None] / root[None, :])
        return Film(np.maximum(rate, 0.0), V.T * root[None, :], V / root[:, None], V.T @ root)


@dataclass(frozen=True, slots=True)
class Film:
    """A wall under one film coefficient, in its own modes: each fades at its `rate_1_s` (n,) and they do not mix.

    `to_modes` and `from_modes` (n, n) turn temperatures above the medium into modes and back; `ones` (n,) are the
    modes of 1 K everywhere.
    """

    rate_1_s: Floats
    to_modes: Floats
    from_modes: Floats
    ones: Floats

    def modes(self, above_K: Floats) -> Floats:
        """Modes (..., n) of temperatures above the medium (..., n)."""
        return np.asarray(above_K @ self.to_modes.T)

    def fade(self, y: Floats, slope_K_s: Floats | float, t_s: Floats) -> Floats:
        """Modes after times `t_s`, the medium rising by `slope_K_s`: y (..., n), slope and t (...) -> (..., n)."""
        lt = self.rate_1_s * t_s[..., None]
        out = y * np.exp(-lt)
        if np.any(slope_K_s):
            out -= np.asarray(slope_K_s)[..., None] * self.lag(t_s)
        return out

    def lag(self, t_s: Floats) -> Floats:
        """What a medium rising by 1 K/s leaves behind in the modes after times (...) -> (..., n)."""
        rate = np.maximum(self.rate_1_s, 1e-9)
        return np.asarray(-np.expm1(-rate * t_s[..., None]) / rate * self.ones)

    def step(self, T_C: Floats, medium_C: Floats, slope_K_s: Floats, dt_s: Floats) -> Floats:
        """Node temperatures (..., n) after `dt_s` (...) in a medium at `medium_C` (...) that changes linearly."""
        y = self.fade(self.modes(T_C - np.asarray(medium_C)[..., None]), slope_K_s, np.asarray(dt_s))
        end_C = np.asarray(medium_C) + np.asarray(slope_K_s) * np.asarray(dt_s)
        return np.asarray(y @ self.from_modes.T + end_C[..., None])
