"""Axes along a drum: both show the same metres."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.figures.axes import outer_range


@given(st.floats(0, 4000), st.floats(0, 4000), st.floats(1, 5000))
def test_both_axes_show_the_same_metres(a, b, length):
    upper = outer_range((a, b), length)
    assert upper[0] + a == pytest.approx(length)
    assert upper[1] + b == pytest.approx(length)
