"""Fault rates before and after a change, change points, and Pareto counts."""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from monitor.contract.record import Floats
from monitor.statistics.counts import Interval
from monitor.statistics.distributions import chi_squared_quantile


@dataclass(frozen=True, slots=True)
class Change:
    """Rate after over rate before with its exact 95 % interval, and the chance of so large a change by none."""

    ratio: float
    interval: Interval
    chance: float

    @property
    def word(self) -> str:
        """fell, rose, or not shown."""
        if self.chance >= 0.05:
            return "no change is shown"
        return "it fell" if self.ratio < 1 else "it rose"


def rate_change(before: int, before_m: float, after: int, after_m: float) -> Change:
    """Exact comparison of two Poisson rates by the binomial of their sum (Przyborowski and Wilenski 1940).

    ValueError for a length that is not positive.
    """
    if before_m <= 0 or after_m <= 0:
        raise ValueError(f"expected lengths greater than 0 m, got {before_m} and {after_m}")
    from scipy.stats import binomtest  # here, since importing it takes longer than starting a page

    total = before + after
    if total == 0:
        return Change(math.nan, Interval(0.0, math.inf), 1.0)
    share = after_m / (before_m + after_m)
    test = binomtest(after, total, share)
    low, high = test.proportion_ci(0.95, "exact")

    def ratio(p: float) -> float:
        return math.inf if p >= 1 else p / (1 - p) * before_m / after_m

    return Change(ratio(after / total), Interval(ratio(low), ratio(high)), float(test.pvalue))


@dataclass(frozen=True, slots=True, kw_only=True)
class Since:
    """Where a rate changed: the most likely place with its 95 % interval; `chance` of so sharp a change by none."""

    at: float
    low: float
    high: float
    before_per_km: float
    after_per_km: float
    chance: float


def changed_at(positions_m: ArrayLike, start_m: float, end_m: float, seed: int = 1, draws: int = 400) -> Since | None:
    """The place that best splits the events into two rates; None with fewer than 6 events.

    The chance is drawn: as many events, spread evenly, parted as well as they can be.
    """
    x = np.sort(np.asarray(positions_m, dtype=np.float64))
    x = x[(x >= start_m) & (x < end_m)]
    if len(x) < 6:
        return None
    u = (x - start_m) / (end_m - start_m)
    gain, at = _part(u)
    rng = np.random.default_rng(seed)
    null = [_part(np.sort(rng.uniform(size=len(u))))[0].max() for _ in range(draws)]
    best = int(np.argmax(gain))
    chance = (1 + sum(g >= gain[best] for g in null)) / (draws + 1)
    near = at[gain >= gain[best] - chi_squared_quantile(0.95, 1) / 2]
    span = end_m - start_m
    k = int((u < at[best]).sum())
    return Since(
        at=start_m + at[best] * span,
        low=start_m + float(near.min()) * span,
        high=start_m + float(near.max()) * span,
        before_per_km=1000 * k / (at[best] * span),
        after_per_km=1000 * (len(u) - k) / ((1 - at[best]) * span),
        chance=chance,
    )


def _part(u: Floats) -> tuple[Floats, Floats]:
    """Gain in log likelihood of two rates over one, at each possible place just beside an event."""
    n = len(u)
    places = np.clip(np.concatenate((u - 1e-9, u + 1e-9)), 1e-6, 1 - 1e-6)
    k = np.searchsorted(u, places)
    with np.errstate(divide="ignore", invalid="ignore"):
        left = np.where(k > 0, k * np.log(np.maximum(k, 1) / (n * places)), 0.0)
        right = np.where(k < n, (n - k) * np.log(np.maximum(n - k, 1) / (n * (1 - places))), 0.0)
    return left + right, places


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar of a Pareto chart, with the share of all up to and with it."""

    name: str
    count: int
    upto: float


def pareto(names: Iterable[str], most: int = 12) -> list[Bar]:
    """Most frequent first; what is left over comes last as `others`."""
    counts: Sequence[tuple[str, int]] = Counter(names).most_common()
    total = sum(n for _, n in counts)
    shown = list(counts[:most])
    rest = total - sum(n for _, n in shown)
    shown += [("others", rest)] if rest else []
    bars, upto = [], 0
    for name, n in shown:
        upto += n
        bars.append(Bar(name, n, upto / total))
    return bars
