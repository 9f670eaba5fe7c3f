"""Zeros of functions: those of another solver, few steps on the way, and no number where there is none."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from monitor.physics.root import root

CURVES = {
    "straight": (lambda x: x, 0.0),
    "cube": (lambda x: x**3 - 2 * x - 5, 2.0945514815423265),
    "ninth power": (lambda x: x**9, 0.0),  # so flat that brentq of SciPy does not come to an end
    "exponential": (lambda x: math.exp(x) - 30, math.log(30)),
    "root": (lambda x: math.copysign(math.sqrt(abs(x)), x), 0.0),
    "arc": (lambda x: math.atan(10 * (x - 1)), 1.0),
    "jump": (lambda x: 1.0 if x > math.pi else -1.0, math.pi),
}


@pytest.mark.parametrize("name", CURVES)
@given(start=st.floats(-8, -0.5), end=st.floats(3.5, 9), tolerance=st.sampled_from([1e-1, 1e-3, 1e-7, 1e-12]))
def test_a_known_zero_is_found_within_the_tolerance_in_few_steps(name, start, end, tolerance):
    f, zero = CURVES[name]
    asked: list[float] = []

    def counted(x: float) -> float:
        asked.append(x)
        return f(x)

    assert root(counted, start, end, tolerance) == pytest.approx(zero, abs=tolerance + 1e-14)
    assert all(start <= x <= end for x in asked)
    assert len(asked) <= 2 + 1.5 * math.log2((end - start) / tolerance) + 3


@given(st.floats(0.05, 3), st.floats(-20, 20), st.floats(1e-9, 1e-3))
def test_it_agrees_with_scipy(steep, shift, tolerance):
    def f(x: float) -> float:
        return math.tanh(steep * (x - shift)) + 0.1 * (x - shift) - 0.05

    theirs = brentq(f, -60, 60, xtol=1e-12)
    assert root(f, -60, 60, tolerance) == pytest.approx(theirs, abs=tolerance + 1e-11)


def test_newton_s_own_cubic():
    """x^3 - 2x - 5, the example by which Wallis showed Newton's method in 1685: 2.0945514815."""
    assert root(CURVES["cube"][0], 2, 3, 1e-12) == pytest.approx(2.0945514815, abs=5e-11)


@given(st.floats(0.1, 5), st.floats(6, 9))
def test_where_the_signs_are_the_same_there_is_none(start, end):
    assert root(lambda x: x, start, end, 1e-6) is None
    assert root(lambda x: -x, start, end, 1e-6) is None


def test_ends_that_are_no_numbers_are_reported_to_be():
    with pytest.raises(ArithmeticError, match="expected numbers at the ends 0 and 1"):
        root(lambda _: float("nan"), 0, 1, 1e-6)


def test_an_end_may_be_the_zero():
    assert root(lambda x: x - 1, 1.0, 4.0, 1e-6) == 1.0
    assert root(lambda x: x - 4, 1.0, 4.0, 1e-6) == 4.0
