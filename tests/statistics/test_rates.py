"""Rates of faults before and after: the exact interval, symmetry, change points."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from monitor.statistics.rates import changed_at, pareto, rate_change


def test_the_ratio_s_interval_is_the_binomial_s():
    """scipy's exact binomial interval, turned into a ratio of rates: 30 in 10 km, 8 in 10 km."""
    found = rate_change(30, 10_000, 8, 10_000)
    low, high = binomtest(8, 38).proportion_ci(0.95, "exact")
    assert found.ratio == pytest.approx(8 / 30)
    assert found.interval.low == pytest.approx(low / (1 - low))
    assert found.interval.high == pytest.approx(high / (1 - high))
    assert found.word == "it fell"
    assert rate_change(8, 10_000, 30, 10_000).word == "it rose"
    assert rate_change(8, 10_000, 9, 10_000).word == "no change is shown"
    assert math.isnan(rate_change(0, 1, 0, 1).ratio)
    with pytest.raises(ValueError, match="greater than 0"):
        rate_change(1, 0, 1, 1)


@given(st.integers(0, 60), st.integers(0, 60), st.floats(100, 1e5), st.floats(100, 1e5))
def test_before_and_after_change_places(a, b, x, y):
    one, other = rate_change(a, x, b, y), rate_change(b, y, a, x)
    assert one.chance == pytest.approx(other.chance, abs=1e-9)
    if a and b:
        assert one.ratio == pytest.approx(1 / other.ratio)


def test_where_a_rate_changed_is_found_with_its_interval():
    rng = np.random.default_rng(3)
    x = np.concatenate((rng.uniform(0, 6000, 60), rng.uniform(6000, 10_000, 4)))
    found = changed_at(x, 0, 10_000)
    assert found.low <= 6000 <= found.high or abs(found.at - 6000) < 300
    assert found.chance < 0.02
    assert found.before_per_km > 4 * found.after_per_km
    assert changed_at([1, 2, 3], 0, 10) is None
    assert changed_at(rng.uniform(0, 10_000, 40), 0, 10_000).chance > 0.02


def test_a_pareto_adds_up():
    bars = pareto(["a"] * 5 + ["b"] * 3 + ["c", "d"], most=2)
    assert [(b.name, b.count) for b in bars] == [("a", 5), ("b", 3), ("others", 2)]
    assert bars[-1].upto == 1.0
    assert pareto([]) == []
