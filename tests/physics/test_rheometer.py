"""Rates fitted to rheometer rows and times off a cure curve, held to measured curves and to exact laws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics.kinetics import Rate
from monitor.physics.rheometer import fit_rate, time_to
from tests.physics.test_kinetics import ADDITION_S, PERCENT, PEROXIDE_S


@pytest.mark.parametrize("times_s", [ADDITION_S, PEROXIDE_S])
def test_t90_of_measured_curves(times_s):
    """Torque as 2 + 10 x conversion, with ML and MH as ISO 6502 and ASTM D5289 have them (from memory)."""
    t = np.concatenate(([0.0], times_s, [3000.0]))
    torque = 2 + 10 * np.concatenate(([0.0], PERCENT, [1.0]))
    assert time_to(0.9, t, torque) == pytest.approx(times_s[4], abs=1.0)
    assert time_to(0.5, t, torque) == pytest.approx(times_s[2], abs=1.0)


def test_a_torque_that_first_falls_counts_from_its_lowest():
    t = np.array([0.0, 10, 20, 30, 40])
    assert time_to(0.5, t, np.array([5.0, 1, 1, 11, 11])) == pytest.approx(25.0)


@given(st.floats(40e3, 200e3), st.floats(5, 1000), st.floats(80, 200))
def test_a_fit_of_exact_rows_gives_the_law_back(Ea, time_s, reference_C):
    law = Rate(time_s, reference_C, Ea)
    T = np.array([100.0, 120.0, 140.0, 160.0])
    fit = fit_rate(T, law.time_at_s(T))
    assert fit.rate.activation_J_mol == pytest.approx(Ea, rel=1e-6)
    assert fit.rate.time_at_s(np.array(130.0)) == pytest.approx(float(law.time_at_s(np.array(130.0))), rel=1e-6)


def test_the_interval_of_a_fit_covers_the_truth_as_often_as_it_says():
    law, T, rng = Rate(95.0, 116.0, 95e3), np.array([105.0, 115, 125, 135, 145]), np.random.default_rng(1)
    inside = 0
    for _ in range(400):
        low, high = fit_rate(T, law.time_at_s(T) * np.exp(rng.normal(0, 0.05, 5))).activation_95_J_mol
        inside += low < 95e3 < high
    assert 0.92 < inside / 400 < 0.98


def test_two_rows_fit_and_say_that_nothing_is_known_of_the_error():
    fit = fit_rate(np.array([110.0, 130.0]), np.array([100.0, 30.0]))
    assert "measure a third" in fit.words
    assert not np.isfinite(fit.activation_95_J_mol).all()


@pytest.mark.parametrize(
    ("T", "t", "says"),
    [([110.0, 110], [1.0, 2], "two temperatures"), ([110.0], [1.0, 2], "as many"), ([110.0, 120], [1.0, -2], "> 0 s")],
)
def test_rows_that_say_nothing_are_refused(T, t, says):
    with pytest.raises(ValueError, match=says):
        fit_rate(np.array(T), np.array(t))
