"""Faults as counts per length: the u-chart and the exact Poisson interval."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from monitor.contract.record import Floats
from monitor.statistics.distributions import chi_squared_quantile


@dataclass(frozen=True, slots=True)
class UChart:
    """Counts per unit of length with limits that follow each specimen's length (Shewhart; ISO 7870-2)."""

    per_length: Floats
    centre: float
    lower: Floats
    upper: Floats

    @property
    def out(self) -> list[int]:
        """Places beyond a limit; a point on a limit is not beyond it."""
        return np.flatnonzero((self.per_length > self.upper) | (self.per_length < self.lower)).tolist()


def u_chart(counts: ArrayLike, lengths: ArrayLike, sigmas: float = 3.0) -> UChart:
    """Chart of faults per length. `counts` and `lengths` of equal shape, lengths > 0; centre is total by total."""
    n, length = np.asarray(counts, dtype=np.float64), np.asarray(lengths, dtype=np.float64)
    if n.shape != length.shape or not len(n) or (length <= 0).any() or (n < 0).any():
        raise ValueError(
            f"expected as many lengths > 0 as counts >= 0, got {n.shape} counts and {length.shape} lengths"
        )
    centre = float(n.sum() / length.sum())
    spread = sigmas * np.sqrt(centre / length)
    return UChart(n / length, centre, np.maximum(centre - spread, 0.0), centre + spread)


@dataclass(frozen=True, slots=True)
class Interval:
    """An interval of a quantity at a confidence."""

    low: float
    high: float


def poisson_interval(count: int, confidence: float = 0.95) -> Interval:
    """Exact (Garwood 1936) two-sided interval for the mean of a Poisson count, from chi-squared quantiles.

    Raises ValueError for a negative count or a confidence outside (0, 1).
    """
    if count < 0 or not 0 < confidence < 1:
        raise ValueError(f"expected a count >= 0 and a confidence between 0 and 1, got {count} and {confidence}")
    tail = (1 - confidence) / 2
    low = chi_squared_quantile(tail, 2 * count) / 2 if count else 0.0
    return Interval(low, chi_squared_quantile(1 - tail, 2 * count + 2) / 2)


def rate_per_km(count: int, length_m: float, confidence: float = 0.95) -> tuple[float, Interval]:
    """Faults per km with their exact interval; raises ValueError for a length that is not positive."""
    if length_m <= 0:
        raise ValueError(f"expected a length greater than 0 m, got {length_m}")
    both = poisson_interval(count, confidence)
    km = length_m / 1000
    return count / km, Interval(both.low / km, both.high / km)
