"""The functions against scipy.stats, and against tables: normal and chi-squared quantiles of NIST/SEMATECH 1.3.6.7."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from monitor.statistics.distributions import chi_squared_above, chi_squared_quantile, normal_below, normal_quantile

P = st.floats(1e-9, 1 - 1e-9)
FREEDOM = st.floats(0.5, 1e4)


@given(P)
def test_normal_quantile_is_that_of_scipy(p):
    assert normal_quantile(p) == stats.norm.ppf(p)


@given(st.floats(-40, 40))
def test_normal_probability_is_that_of_scipy(x):
    assert normal_below(x) == stats.norm.cdf(x)
    assert normal_below(-x) == stats.norm.sf(x)


@given(P, FREEDOM)
def test_chi_squared_quantile_is_that_of_scipy(p, freedom):
    assert chi_squared_quantile(p, freedom) == stats.chi2.ppf(p, freedom)


@given(st.floats(0, 1e5), FREEDOM)
def test_chi_squared_tail_is_that_of_scipy(x, freedom):
    assert chi_squared_above(x, freedom) == stats.chi2.sf(x, freedom)
    assert (chi_squared_above(np.array([x, x]), freedom) == stats.chi2.sf(x, freedom)).all()


@pytest.mark.parametrize(("freedom", "upper"), [(1, 3.841), (2, 5.991), (10, 18.307), (30, 43.773), (100, 124.342)])
def test_upper_five_percent_points_of_the_table(freedom, upper):
    assert chi_squared_quantile(0.95, freedom) == pytest.approx(upper, abs=5e-4)


def test_a_normal_value_is_below_1_96_in_975_of_1000():
    assert normal_quantile(0.975) == pytest.approx(1.960, abs=5e-4)
