"""Capability against handbooks, and against series whose answer is known."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter
from scipy.stats import norm

from monitor.statistics.capability import (
    autocorrelation,
    by_metres,
    capability,
    cp,
    cpk,
    cpk_interval,
    effective_size,
    independent_after,
)
from tests.analysis.published import LEW
from tests.statistics.test_charts import PISTON_RINGS, groups


def test_nist_6_1_6():
    """NIST/SEMATECH e-Handbook 6.1.6 (recalled): USL 20, LSL 8, mean 16, s 2."""
    assert cp(8, 20, 2) == 1.0
    assert cpk(8, 20, 16, 2) == pytest.approx(0.6667, abs=5e-5)
    assert cpk(None, 20, 16, 2) == pytest.approx(0.6667, abs=5e-5)
    assert cpk(8, None, 16, 2) == pytest.approx(1.3333, abs=5e-5)


def test_process_improvement_using_data():
    """kgdunn, process capability: mean 80, limits 65 and 95, sigma 10: 0.5, 13.4 % outside; Cpk 2 shifted is 1.5."""
    assert cp(65, 95, 10) == 0.5
    assert 2 * norm.cdf(-1.5) == pytest.approx(0.134, abs=5e-4)
    assert cpk(-6, 6, 1.5, 1) == 1.5


def test_piston_rings_by_definition():
    """Limits 73.95 and 74.05 with the sigma of the mean range: 1.7033 and 1.6632."""
    sigma = 0.0097850
    assert cp(73.95, 74.05, sigma) == pytest.approx(1.7033, abs=1e-4)
    assert cpk(73.95, 74.05, 74.001176, sigma) == pytest.approx(1.6632, abs=1e-4)
    found = capability(groups(PISTON_RINGS), 73.95, 74.05)
    assert found.cp.value == pytest.approx(1.70, abs=0.06)
    assert found.cp.interval.low < found.cp.value < found.cp.interval.high


def test_intervals_hold_as_often_as_they_say():
    rng = np.random.default_rng(1)
    held = [0, 0]
    for _ in range(600):
        x = rng.normal(0, 1, (20, 5))
        found = capability(x, -3.0, 4.0)
        held[0] += found.pp.interval.low <= 7 / 6 <= found.pp.interval.high
        held[1] += found.ppk.interval.low <= 1.0 <= found.ppk.interval.high
    assert held[0] / 600 == pytest.approx(0.95, abs=0.025)
    assert held[1] / 600 == pytest.approx(0.95, abs=0.03)


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9, 0.98])
def test_effective_size_of_a_first_order_series(rho):
    """n (1 - rho) / (1 + rho): textbook result for AR(1)."""
    n = 60_000
    x = lfilter([1], [1, -rho], np.random.default_rng(2).normal(size=n))
    assert effective_size(x) == pytest.approx(n * (1 - rho) / (1 + rho), rel=0.15)


def test_autocorrelation_nist_lew_beam_deflections():
    """NIST Dataplot LEW.DAT: lags 1 to 3."""
    assert autocorrelation(LEW, 3)[1:] == pytest.approx([-0.3073, -0.7404, 0.7747], abs=1e-4)


def test_correlated_samples_do_not_make_a_sure_index():
    rng = np.random.default_rng(4)
    x = lfilter([1], [1, -0.95], rng.normal(size=5000))
    x = x / x.std()
    plain = capability(x.reshape(-1, 5), -4, 4).ppk.interval
    honest = capability(x.reshape(-1, 5), -4, 4, effective_size(x)).ppk.interval
    assert honest.high - honest.low > 4 * (plain.high - plain.low)
    assert independent_after(x) > 10


def test_a_part_that_turns_makes_metres_alike_throughout():
    """A cycle of 5 m under noise: a spacing of 5 m meets the same phase again, so nothing is independent."""
    x = np.sin(np.arange(4000) * 2 * np.pi / 5) + np.random.default_rng(1).normal(0, 0.5, 4000)
    assert independent_after(x) == 4000
    assert effective_size(x) > 1000  # whole turns cancel: the mean is known better than by as many free values
    assert independent_after(np.random.default_rng(1).normal(size=4000)) == 1


def test_subgroups_by_metres_leave_out_what_was_not_seen():
    x = np.arange(30, dtype=float)
    x[11] = np.nan
    assert by_metres(x, 3, 10).tolist() == [[0, 1, 2], [20, 21, 22]]


@settings(max_examples=50)
@given(st.integers(2, 6), st.integers(0, 20), st.integers(0, 100))
def test_subgroups_do_not_overlap(size, more, n):
    x = np.arange(n, dtype=float)
    found = by_metres(x, size, size + more)
    assert len(np.unique(found)) == found.size


def test_without_limits_there_is_no_index():
    with pytest.raises(ValueError, match="limit"):
        capability(np.random.default_rng(1).normal(size=(5, 5)), None, None)


def test_bissell_interval_narrows_with_values():
    few, many = cpk_interval(1.33, 30, 29), cpk_interval(1.33, 3000, 2999)
    assert many.high - many.low < (few.high - few.low) / 9
