"""Numbers as people type them: whole, or refused (C20)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.text.number_entry import NotANumberError, read_number


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_c20_every_number_is_read_as_it_was_written(value):
    assert read_number(repr(value)) == value
    assert read_number(value) == value
    assert read_number(f" {value!r} mm ", "mm") == value


def test_c20_a_power_of_ten_is_not_its_digits():
    assert read_number("1e9") == 1e9
    assert read_number("\N{MINUS SIGN}2.5E-3") == -0.0025


@pytest.mark.parametrize("typed", ["abc", "3.5x", "3,66", "1e999", "nan", "inf", "1 2", "--3", "0x10", "\u0663", True])
def test_c20_what_is_no_number_is_refused_and_never_read_in_part(typed):
    with pytest.raises(NotANumberError, match="expected a number"):
        read_number(typed)


@pytest.mark.parametrize("typed", ["", "  ", None, "mm"])
def test_an_empty_field_is_none(typed):
    assert read_number(typed, "mm") is None
