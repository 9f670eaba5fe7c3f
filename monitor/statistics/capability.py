"""Process capability, corrected for autocorrelation: many correlated samples hold few independent values."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from monitor.contract.record import Floats
from monitor.statistics.counts import Interval
from monitor.statistics.distributions import chi_squared_quantile, normal_below, normal_quantile


@dataclass(frozen=True, slots=True)
class Index:
    """A capability index with its interval."""

    value: float
    interval: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Capability:
    """Indices of a stream against its limits: C by the sigma within subgroups, P by the whole spread.

    `cp` and `pp` are None where one limit is missing. `beyond` is the share expected outside, if values are normal.
    """

    mean: float
    sigma_within: float
    sigma_overall: float
    values: float
    cp: Index | None
    cpk: Index
    pp: Index | None
    ppk: Index
    beyond: float


def cp(lower: float, upper: float, sigma: float) -> float:
    """Width of the tolerance over six sigma (ISO 22514-2)."""
    return (upper - lower) / (6 * sigma)


def cpk(lower: float | None, upper: float | None, mean: float, sigma: float) -> float:
    """Distance to the nearer limit over three sigma. ValueError where neither limit is given."""
    sides = [(upper - mean) if upper is not None else math.inf, (mean - lower) if lower is not None else math.inf]
    if min(sides) == math.inf:
        raise ValueError("capability needs a lower or an upper limit")
    return min(sides) / (3 * sigma)


def cp_interval(value: float, freedom: float, confidence: float = 0.95) -> Interval:
    """Interval of Cp from sigma's chi-squared interval with `freedom` degrees of freedom (exact for normal values)."""
    tail = (1 - confidence) / 2
    low, high = (chi_squared_quantile(p, freedom) / freedom for p in (tail, 1 - tail))
    return Interval(value * math.sqrt(low), value * math.sqrt(high))


def cpk_interval(value: float, values: float, freedom: float, confidence: float = 0.95) -> Interval:
    """Interval of Cpk by Bissell's normal approximation (Applied Statistics 39, 1990; from memory)."""
    z = normal_quantile(1 - (1 - confidence) / 2)
    half = z * math.sqrt(1 / (9 * values) + value**2 / (2 * freedom))
    return Interval(value - half, value + half)


def capability(
    subgroups: ArrayLike, lower: float | None, upper: float | None, effective: float | None = None
) -> Capability:
    """Indices of values in subgroups (k, n) against limits in their unit.

    `effective`: how many independent values they are worth, all of them if None; intervals widen with it.
    """
    x = np.asarray(subgroups, dtype=np.float64)
    k, n = x.shape
    if k < 2 or n < 2:
        raise ValueError(f"expected at least 2 subgroups of at least 2 values, got {x.shape}")
    size = float(x.size) if effective is None else max(min(float(effective), float(x.size)), 2.0)
    within = math.sqrt(float(x.var(axis=1, ddof=1).mean()))
    overall, mean = float(x.std(ddof=1)), float(x.mean())
    if within <= 0 or overall <= 0:
        raise ValueError("the values do not vary: is the instrument stuck?")
    share = size / x.size
    found = []
    for sigma, freedom in ((within, k * (n - 1) * share), (overall, size - 1)):
        both = lower is not None and upper is not None
        wide = cp(lower, upper, sigma) if both else None  # type: ignore[arg-type]
        near = cpk(lower, upper, mean, sigma)
        found.append(None if wide is None else Index(wide, cp_interval(wide, freedom)))
        found.append(Index(near, cpk_interval(near, size, freedom)))
    beyond = sum(
        float(normal_below(-side / overall))
        for side in ((upper - mean) if upper is not None else None, (mean - lower) if lower is not None else None)
        if side is not None
    )
    return Capability(
        mean=mean,
        sigma_within=within,
        sigma_overall=overall,
        values=size,
        cp=found[0],
        cpk=found[1],  # type: ignore[arg-type]
        pp=found[2],
        ppk=found[3],  # type: ignore[arg-type]
        beyond=beyond,
    )


def autocorrelation(values: ArrayLike, lags: int) -> Floats:
    """Autocorrelation at lags 0 to `lags` (lags + 1,) about the mean; 0 throughout for values that do not vary."""
    x = np.asarray(values, dtype=np.float64)
    x = x - x.mean()
    size = 1 << (2 * len(x) - 1).bit_length()
    power = np.abs(np.fft.rfft(x, size)) ** 2
    sums = np.fft.irfft(power, size)[: lags + 1]
    return sums / sums[0] if sums[0] > 0 else np.zeros(lags + 1)


def effective_size(values: ArrayLike) -> float:
    """Effective number of independent values of a series (n,) for its mean: n over 1 + 2 times its correlations.

    Lags are summed up to the first that is five times the sum so far (Sokal 1997): noise at long lags adds nothing,
    and a signal that comes back, as of a part that turns, is summed over its turns.
    """
    x = np.asarray(values, dtype=np.float64)
    n = len(x)
    if n < 4:
        return float(n)
    rho = autocorrelation(x, min(n - 2, 20_000))
    times = np.maximum(2 * np.cumsum(rho) - 1, 1.0)
    enough = np.flatnonzero(np.arange(len(rho)) >= 5 * times)
    return n / float(times[enough[0]] if len(enough) else times[-1])


def independent_after(values: ArrayLike, below: float = 0.2) -> int:
    """Lag from which the autocorrelation is under `below` for twenty lags and for as long again as the lag.

    The length where it never is: what comes back again and again is not independent between its turns.
    """
    rho = autocorrelation(values, min(len(np.asarray(values)) - 1, 20_000))
    over = np.flatnonzero(rho >= below)
    ends = np.append(over[1:], len(rho))
    quiet = np.flatnonzero((ends - over - 1 >= 20) & (ends - over - 1 >= over))
    return int(over[quiet[0]]) + 1 if len(quiet) else len(rho)


def by_metres(metre_values: ArrayLike, size: int, apart: int) -> Floats:
    """Subgroups (k, size) from a value a metre (n,): `size` metres in a row, then `apart` metres to the next.

    Subgroups with a metre without data (NaN) are left out.
    """
    x = np.asarray(metre_values, dtype=np.float64)
    if size < 2 or apart < size:
        raise ValueError(f"expected at least 2 metres in a subgroup and no overlap, got {size} every {apart}")
    starts = np.arange(0, len(x) - size + 1, apart)
    groups = x[starts[:, None] + np.arange(size)] if len(starts) else np.empty((0, size))
    whole: Floats = groups[np.isfinite(groups).all(axis=1)]
    return whole
