"""How fast a compound cures, held to worked examples, definitions and measured curves."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics.kinetics import (
    Rate,
    conversion,
    equivalent_time,
    factor_per_10_K,
    fit_rate,
    time_to,
)

# J. Jalkanen, Thermochimica Acta 703 (2021) 178982, data doi 10.17632/pndj7x373y.1, sheet pred_vs_exp: two silicones
# at 100 degC, time [s] at conversion, read off the kinetic predictions.
PERCENT = np.array([10, 25, 50, 75, 90, 95]) / 100
ADDITION_S = np.array([19.0, 30.3, 44.7, 59.9, 73.4, 82.8])
PEROXIDE_S = np.array([12.6, 36.4, 90.6, 205.9, 419.2, 609.2])


@pytest.mark.parametrize(("Ea", "factor"), [(80e3, 1.7339), (100e3, 1.9897), (120e3, 2.2831), (150e3, 2.8065)])
def test_ten_kelvin_more_from_140_degC(Ea, factor):
    """Derived from the Arrhenius form: "twice as fast per 10 K" means about 100 kJ/mol near 145 degC only."""
    assert factor_per_10_K(Ea, 140.0) == pytest.approx(factor, abs=1e-4)


def test_the_rule_of_ten_kelvin_is_not_constant():
    assert factor_per_10_K(100e3, 180.0) == pytest.approx(1.7737, abs=1e-4)


def test_equivalent_cure_worked_example():
    """Reference 140 degC, factor 2 per 10 K (derived by hand): minutes at 110 to 150 and back are worth 7.625."""
    T = np.array([110, 120, 130, 140, 150, 150, 140, 130, 120.0])
    assert equivalent_time(T, np.ones(9), 140.0, 2.0) == pytest.approx(7.625)
    assert equivalent_time(np.array([150.0]), np.array([10.0]), 140.0, 2.0) == pytest.approx(20.0)


def test_dicumyl_peroxide_half_lives():
    """A 9.24e15 /s, Ea 152.67 kJ/mol (from memory): 112 degC 10.56 h, 132 degC 1.004 h, 154 degC 350 s."""
    half = Rate(np.log(2) / (9.24e15 * np.exp(-152670 / 8.314462618 / 405.15)), 132.0, 152670.0)
    assert half.time_at_s(np.array(112.0)) / 3600 == pytest.approx(10.56, rel=0.01)
    assert half.time_at_s(np.array(132.0)) / 3600 == pytest.approx(1.004, rel=0.01)
    assert half.time_at_s(np.array(154.0)) == pytest.approx(350, rel=0.01)


def test_an_index_of_one_is_ninety_percent():
    assert conversion(np.array([0.0, 1.0, 2.0])) == pytest.approx([0.0, 0.9, 0.99])


def test_measured_silicones_are_not_of_first_order():
    """t90/t50 is log(10)/log(2) = 3.3219 for first order; measured 1.64 (addition) and 4.63 (peroxide): an index is a
    count towards t90 and no conversion."""
    ratios = [s[4] / s[2] for s in (ADDITION_S, PEROXIDE_S)]
    assert ratios == pytest.approx([1.64, 4.63], abs=0.01)
    assert abs(ratios[0] - 3.3219) > 1
    assert abs(ratios[1] - 3.3219) > 1


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
