"""Units: conversions there and back, and what cannot be converted."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.units import UNITS, convert, units_of


@pytest.mark.parametrize(
    ("value", "unit", "to", "expected"),
    [(240.0, "m/min", "m/s", 4.0), (3.5, "m/s", "m/min", 210.0), (0.0, "degC", "degC", 0.0), (2.0, "kV", "V", 2000.0),
     (12.0, "%", "1", 0.12), (3.58, "mm", "m", 0.00358)],
)  # fmt: skip
def test_a_value_in_another_unit(value, unit, to, expected):
    assert convert(value, unit, to) == pytest.approx(expected, rel=1e-12)
    assert convert(np.array([value, np.nan]), unit, to) == pytest.approx(np.array([expected, np.nan]), nan_ok=True)


@given(st.floats(-1e6, 1e6), st.sampled_from([(a, b) for a in UNITS for b in units_of(UNITS[a].dimension)]))
def test_there_and_back_is_the_same_value(value, pair):
    unit, to = pair
    assert convert(convert(value, unit, to), to, unit) == pytest.approx(value, rel=1e-9, abs=1e-9)


def test_a_value_in_its_own_unit_keeps_every_bit():
    assert all(convert(0.1, unit, unit) == 0.1 for unit in UNITS)


def test_another_dimension_is_refused():
    with pytest.raises(ValueError, match="expected a unit of speed to convert to 'm/s', got 'rpm'"):
        convert(1.0, "rpm", "m/s")
