"""u-chart and Poisson interval against published series; sources beside each."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import poisson

from monitor.statistics.counts import poisson_interval, rate_per_km, u_chart


def test_u_chart_nist_dataplot_ccu_dat_cracks_in_plastic_covered_wire():
    """NIST Dataplot lib/data/CCU.DAT after Ishikawa, Guide to Quality Control, pp. 81-83 (data as printed)."""
    cracks = [4, 3, 3, 4, 5, 3, 6, 7, 5, 3, 5, 5, 4, 6, 5, 4, 4, 6, 8, 8]
    metres = [2] * 6 + [2.5] * 7 + [2.25] * 5 + [2.75] * 2
    chart = u_chart(cracks, metres)
    assert sum(cracks) == 98
    assert sum(metres) == 46.25
    assert chart.centre == pytest.approx(2.118919, abs=1e-6)
    by_length = dict(zip(metres, chart.upper, strict=True))
    assert by_length == pytest.approx({2: 5.2068, 2.25: 5.0302, 2.5: 4.8808, 2.75: 4.7523}, abs=1e-4)
    assert (chart.lower == 0).all()
    assert chart.out == []
    assert (chart.per_length[0], chart.per_length[-1]) == (2.0, pytest.approx(2.9091, abs=1e-4))


def test_u_chart_montgomery_dyed_cloth():
    """Montgomery, Introduction to Statistical Quality Control (data in R package qcc, dyedcloth): book prints 1.42."""
    chart = u_chart([14, 12, 20, 11, 7, 10, 21, 16, 19, 23], [10, 8, 13, 10, 9.5, 10, 12, 10.5, 12, 12.5])
    assert chart.centre == pytest.approx(1.423256, abs=1e-6)
    assert chart.upper[[0, 1, 2, 9]] == pytest.approx([2.5550, 2.6886, 2.4159, 2.4356], abs=1e-4)
    assert chart.lower[0] == pytest.approx(0.2915, abs=1e-4)
    assert chart.out == []


def test_u_chart_nist_6_3_3_1_a_point_on_the_limit_is_not_out():
    """NIST/SEMATECH e-Handbook 6.3.3.1, wafer defects (recalled; sum 400 agrees): 31 is out, 28 sits on the UCL."""
    counts = [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13]
    chart = u_chart(counts, [1.0] * 25)
    assert (chart.centre, chart.upper[0], chart.lower[0]) == (16, 28, 4)
    assert chart.out == [23]


@pytest.mark.parametrize(
    ("count", "low", "high"),
    [(0, 0, 3.6889), (1, 0.0253, 5.5716), (5, 1.6235, 11.6683), (20, 12.2165, 30.8884), (100, 81.3640, 121.6268)],
)
def test_poisson_interval_garwood_table(count, low, high):
    """Exact 95 % limits (Garwood, Biometrika 28, 1936); values agree with astropy and statsmodels to 1e-6."""
    both = poisson_interval(count)
    assert (both.low, both.high) == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))


def test_rule_of_three():
    """One-sided 95 % upper limit of no event in n is 3/n (2.99573): textbook rule."""
    assert poisson_interval(0, 0.90).high == pytest.approx(2.99573, abs=1e-5)


@given(st.integers(0, 400), st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_the_interval_is_what_its_definition_says(count, confidence):
    """At each end the tail probability of what was seen is (1 - confidence)/2: the definition itself."""
    both = poisson_interval(count, confidence)
    tail = (1 - confidence) / 2
    assert poisson.cdf(count, both.high) == pytest.approx(tail, rel=1e-6)
    if count:
        assert poisson.sf(count - 1, both.low) == pytest.approx(tail, rel=1e-6)


def test_rate_is_per_km_and_a_drum_without_length_is_refused():
    rate, both = rate_per_km(6, 3000)
    assert rate == 2.0
    assert both.low < 2.0 < both.high
    with pytest.raises(ValueError, match="length"):
        rate_per_km(0, 0.0)
    with pytest.raises(ValueError, match="lengths"):
        u_chart(np.array([1]), np.array([0.0]))
