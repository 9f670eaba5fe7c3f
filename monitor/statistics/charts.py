"""Control charts: subgroups, single values, EWMA, CUSUM; their constants, run rules and average run lengths.

Sources: ISO 7870-2 (Shewhart), ISO 7870-4 (CUSUM), ISO 7870-6 (EWMA); constants by their defining integrals.
A point on a limit is not beyond it.
"""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln

from monitor.contract.record import Floats
from monitor.statistics.distributions import normal_below

REACH, NODES = 9.0, 160  # the integrals of the constants: so many sigma, by so many nodes


@dataclass(frozen=True, slots=True)
class Chart:
    """Points (k,) with centre and limits (k,) in the unit of the points; `out` are the places beyond a limit."""

    points: Floats
    centre: float
    lower: Floats
    upper: Floats

    @property
    def out(self) -> list[int]:
        return np.flatnonzero((self.points > self.upper) | (self.points < self.lower)).tolist()


# ---- constants -----------------------------------------------------------------------------------------------


@cache
def c4(n: int) -> float:
    """Mean of the standard deviation of n normal values, in sigma."""
    return math.sqrt(2 / (n - 1)) * math.exp(gammaln(n / 2) - gammaln((n - 1) / 2))


@cache
def d2(n: int) -> float:
    """Mean of the range of n normal values, in sigma (Tippett 1925)."""
    x, weight = _nodes(-REACH, REACH)
    return float(np.sum(weight * (1 - normal_below(x) ** n - normal_below(-x) ** n)))


@cache
def d3(n: int) -> float:
    """Standard deviation of the range of n normal values, in sigma."""

    y, weight = _nodes(-REACH, REACH)
    part, share = _nodes(0.0, 1.0)
    x = -REACH + (y[:, None] + REACH) * part  # below each y
    over = 1 - normal_below(y)[:, None] ** n - normal_below(-x) ** n + (normal_below(y)[:, None] - normal_below(x)) ** n
    squares = np.sum(weight * (y + REACH) * np.sum(share * over, axis=1))
    return math.sqrt(2 * float(squares) - d2(n) ** 2)


def _nodes(low: float, high: float) -> tuple[Floats, Floats]:
    """Gauss-Legendre nodes and weights on an interval."""
    x, weight = np.polynomial.legendre.leggauss(NODES)
    return low + (high - low) * (x + 1) / 2, weight * (high - low) / 2


# ---- charts of subgroups and of single values ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Pair:
    """A chart of means, a chart of spreads beside it, and the sigma within subgroups that both rest on."""

    means: Chart
    spreads: Chart
    sigma: float


def _subgroups(values: ArrayLike) -> Floats:
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 2 or x.shape[0] < 2 or not 2 <= x.shape[1] <= 25 or not np.isfinite(x).all():
        raise ValueError(f"expected at least 2 subgroups of 2 to 25 finite values, got an array of {x.shape}")
    return x


def _flat(points: Floats, centre: float, half: float, half_down: float | None = None) -> Chart:
    down = half if half_down is None else half_down
    return Chart(points, centre, np.full(len(points), centre - down), np.full(len(points), centre + half))


def xbar_r(values: ArrayLike) -> Pair:
    """Means and ranges of subgroups (k, n), 3-sigma limits from the mean range. ValueError for another shape."""
    x = _subgroups(values)
    n = x.shape[1]
    ranges = np.ptp(x, axis=1)
    sigma = float(ranges.mean()) / d2(n)
    centre, spread = float(ranges.mean()), 3 * d3(n) * sigma
    means = _flat(x.mean(axis=1), float(x.mean()), 3 * sigma / math.sqrt(n))
    return Pair(means, _flat(ranges, centre, spread, min(spread, centre)), sigma)


def xbar_s(values: ArrayLike) -> Pair:
    """Means and standard deviations of subgroups (k, n), 3-sigma limits from the mean deviation."""
    x = _subgroups(values)
    n = x.shape[1]
    deviations = x.std(axis=1, ddof=1)
    centre = float(deviations.mean())
    sigma = centre / c4(n)
    spread = 3 * sigma * math.sqrt(1 - c4(n) ** 2)
    means = _flat(x.mean(axis=1), float(x.mean()), 3 * sigma / math.sqrt(n))
    return Pair(means, _flat(deviations, centre, spread, min(spread, centre)), sigma)


def individuals(values: ArrayLike) -> Pair:
    """Single values (k,) and their moving ranges of two. ValueError for fewer than 2 values."""
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1 or len(x) < 2:
        raise ValueError(f"expected at least 2 values in a row, got an array of {x.shape}")
    moving = np.abs(np.diff(x))
    centre = float(moving.mean())
    sigma = centre / d2(2)
    return Pair(_flat(x, float(x.mean()), 3 * sigma), _flat(moving, centre, 3 * d3(2) * sigma, centre), sigma)


# ---- charts with a memory ------------------------------------------------------------------------------------


def ewma(values: ArrayLike, target: float, sigma: float, weight: float, width: float, growing: bool = True) -> Chart:
    """Exponentially weighted mean of values (k,); limits `width` sigmas of it, growing to their steady size or steady.

    `weight` of the newest value lies in (0, 1]. ValueError otherwise.
    """
    if not 0 < weight <= 1 or sigma <= 0 or width <= 0:
        raise ValueError(f"expected a weight in (0, 1], sigma and width > 0, got {weight}, {sigma}, {width}")
    x = np.asarray(values, dtype=np.float64)
    z, points = target, np.empty(len(x))
    for i, value in enumerate(x):
        z = weight * value + (1 - weight) * z
        points[i] = z
    count = np.arange(1, len(x) + 1)
    share = 1 - (1 - weight) ** (2 * count) if growing else np.ones(len(x))
    half = width * sigma * np.sqrt(weight / (2 - weight) * share)
    return Chart(points, target, target - half, target + half)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cusum:
    """Upper and lower sums (k,) in the unit of the values, the decision interval `h`, and runs since 0 above."""

    high: Floats
    low: Floats
    h: float
    run_high: NDArray[np.int64]
    run_low: NDArray[np.int64]

    @property
    def out(self) -> list[int]:
        return np.flatnonzero((self.high > self.h) | (self.low > self.h)).tolist()


def cusum(values: ArrayLike, target: float, k: float, h: float) -> Cusum:
    """Tabular sums of values (k,) about `target`, reference value `k` and decision interval `h`, all in one unit."""
    x = np.asarray(values, dtype=np.float64)
    sums = np.zeros((2, len(x)))
    runs = np.zeros((2, len(x)), dtype=np.int64)
    for side, sign in enumerate((1.0, -1.0)):
        s, run = 0.0, 0
        for i, value in enumerate(x):
            s = max(0.0, s + sign * (value - target) - k)
            run = run + 1 if s > 0 else 0
            sums[side, i], runs[side, i] = s, run
    return Cusum(high=sums[0], low=sums[1], h=h, run_high=runs[0], run_low=runs[1])


# ---- run rules -----------------------------------------------------------------------------------------------


def _windows(flags: NDArray[np.bool_], length: int) -> NDArray[np.int64]:
    """How many of the last `length` flags are set, at each place; shorter at the beginning."""
    total = np.concatenate(([0], np.cumsum(flags)))
    return total[1:] - total[np.maximum(np.arange(1, len(flags) + 1) - length, 0)]


def _of(z: Floats, beyond: float, count: int, length: int) -> NDArray[np.bool_]:
    """`count` of the last `length` points beyond so many sigma on one side, the newest among them."""
    found = np.zeros(len(z), dtype=bool)
    for side in (z > beyond, z < -beyond):
        found |= side & (_windows(side, length) >= count)
    return found


def _trend(z: Floats, points: int) -> NDArray[np.bool_]:
    """`points` in a row that steadily rise or fall."""
    found = np.zeros(len(z), dtype=bool)
    for steps in (np.diff(z) > 0, np.diff(z) < 0):
        found[1:] |= _windows(steps, points - 1) >= points - 1
    return found


def _alternating(z: Floats, points: int) -> NDArray[np.bool_]:
    steps = np.sign(np.diff(z))
    turns = np.concatenate(([False, False], steps[1:] * steps[:-1] < 0))[: len(z)]
    return _windows(turns, points - 2) >= points - 2


def western_electric(z: ArrayLike) -> dict[int, list[int]]:
    """Places at which each rule of the Western Electric handbook (1956) signals; `z` in sigma about the centre."""
    x = np.asarray(z, dtype=np.float64)
    rules = {1: np.abs(x) > 3, 2: _of(x, 2, 2, 3), 3: _of(x, 1, 4, 5), 4: _of(x, 0, 8, 8)}
    return {rule: np.flatnonzero(found).tolist() for rule, found in rules.items()}


def nelson(z: ArrayLike) -> dict[int, list[int]]:
    """Places at which each of Nelson's eight rules (1984) signals; `z` in sigma about the centre."""
    x = np.asarray(z, dtype=np.float64)
    size = np.abs(x)
    rules = {
        1: size > 3, 2: _of(x, 0, 9, 9), 3: _trend(x, 6), 4: _alternating(x, 14), 5: _of(x, 2, 2, 3),
        6: _of(x, 1, 4, 5), 7: _windows(size < 1, 15) >= 15, 8: _windows(size > 1, 8) >= 8,
    }  # fmt: skip
    return {rule: np.flatnonzero(found).tolist() for rule, found in rules.items()}


# ---- average run lengths -------------------------------------------------------------------------------------


def shewhart_arl(shift: float, n: int = 1, width: float = 3.0) -> float:
    """Subgroups until a mean of n values signals after a shift of `shift` sigma of single values."""
    return 1 / (1 - shewhart_miss(shift, n, width))


def shewhart_miss(shift: float, n: int, width: float = 3.0) -> float:
    """Chance that the next mean of n values stays inside the limits (type II error)."""
    moved = shift * math.sqrt(n)
    return float(normal_below(width - moved) - normal_below(-width - moved))


CELLS = 401


def cusum_arl(shift: float, k: float, h: float) -> float:
    """Values until a two-sided sum signals, from 0; normal values, `shift`, `k`, `h` in sigma. Brook and Evans 1972."""
    up, down = _cusum_side(shift, k, h), _cusum_side(-shift, k, h)
    return 1 / (1 / up + 1 / down)


def _cusum_side(shift: float, k: float, h: float) -> float:
    width = 2 * h / (2 * CELLS - 1)
    centres = np.arange(CELLS) * width
    edges = centres[None, :] - centres[:, None] + k - shift
    stay = normal_below(edges + width / 2) - normal_below(edges - width / 2)
    stay[:, 0] = normal_below(edges[:, 0] + width / 2)
    return float(np.linalg.solve(np.eye(CELLS) - stay, np.ones(CELLS))[0])


def ewma_arl(shift: float, weight: float, width: float) -> float:
    """Values until an EWMA with steady limits signals, from its target; `shift` in sigma. Lucas and Saccucci 1990."""
    h = width * math.sqrt(weight / (2 - weight))
    cell = 2 * h / CELLS
    centres = -h + (np.arange(CELLS) + 0.5) * cell
    reach = (centres[None, :] - (1 - weight) * centres[:, None]) / weight - shift
    stay = normal_below(reach + cell / 2 / weight) - normal_below(reach - cell / 2 / weight)
    return float(np.linalg.solve(np.eye(CELLS) - stay, np.ones(CELLS))[CELLS // 2])
