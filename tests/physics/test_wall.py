"""Wall thickness by the cable standards' own rounding."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics.wall import judge_wall, rounded_mean_mm, thinnest_allowed_mm


@pytest.mark.parametrize(("mean", "rounded"), [("1.74", "1.7"), ("1.75", "1.8")])
def test_iec_60227_2_1_9_second_decimal_of_five_rounds_up(mean, rounded):
    """IEC 60227-2:2003, 1.9 (text seen): 1.74 becomes 1.7 and 1.75 becomes 1.8."""
    assert rounded_mean_mm([mean] * 18) == Decimal(rounded)


def test_iec_60227_2_trap_a_binary_float_says_the_same():
    assert rounded_mean_mm([1.75] * 18) == Decimal("1.8")
    assert round(1.25, 1) == 1.2  # what must not happen
    assert rounded_mean_mm([1.25] * 18) == Decimal("1.3")


@pytest.mark.parametrize(
    ("layer", "specified", "least"),
    [("insulation", 0.7, "0.53"), ("insulation", 0.8, "0.62"), ("insulation", 1.0, "0.80"), ("sheath", 1.2, "0.92")],
)
def test_thinnest_place_rule_recalled_from_iec_60227_family(layer, specified, least):
    """From memory, worked by hand: 0.9 x specified - 0.1 mm (insulation), 0.85 x - 0.1 mm (sheath)."""
    assert thinnest_allowed_mm(specified, layer) == Decimal(least)


def test_a_wall_fails_by_its_mean_or_by_its_thinnest_place():
    assert judge_wall(["0.90"] * 18, "0.9", "insulation").mean_ok
    thin = judge_wall([*["0.95"] * 17, "0.70"], "0.9", "insulation")
    assert thin.mean_ok
    assert not thin.thinnest_ok
    assert not judge_wall(["0.84"] * 18, "0.9", "insulation").mean_ok


def test_a_mean_is_rounded_to_hundredths_before_tenths():
    """1.745 becomes 1.75 and that 1.8; rounded at once it would be 1.7."""
    assert rounded_mean_mm(["1.745"] * 18) == Decimal("1.8")
    assert rounded_mean_mm(["1.744"] * 18) == Decimal("1.7")


@pytest.mark.parametrize(("thinnest", "is_allowed"), [("0.71", True), ("0.709", False)])
def test_a_thinnest_place_of_just_what_is_allowed_passes(thinnest, is_allowed):
    """0.9 mm specified: 0.9 x 0.9 - 0.1 = 0.71 mm."""
    found = judge_wall([*["0.95"] * 17, thinnest], "0.9", "insulation")
    assert (found.mean_mm, found.thinnest_mm, found.mean_ok) == (Decimal("0.9"), Decimal(thinnest), True)
    assert found.thinnest_ok is is_allowed


@given(st.lists(st.integers(50, 250), min_size=1, max_size=18))
def test_rounding_moves_the_mean_by_at_most_half_a_step_of_each(hundredths):
    readings = [Decimal(h) / 100 for h in hundredths]
    mean = sum(readings, Decimal(0)) / len(readings)
    assert abs(rounded_mean_mm(readings) - mean) <= Decimal("0.055")


def test_no_readings_is_reported():
    with pytest.raises(ValueError, match="18"):
        rounded_mean_mm([])
