"""Exposure in a spark tester's electrode, and what rules ask for."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics.spark import IEC_62230, UL_2556, exposure_s, fastest_m_per_s, needed_s


@pytest.mark.parametrize(
    ("frequency_Hz", "ft_per_min_per_inch"),
    [(50, 27.8), (60, 33.3), (100, 55.6), (400, 222), (1000, 556), (3000, 1667), (4000, 2222)],
)
def test_ul_1581_nine_cycles_recalled_speeds_per_inch(frequency_Hz, ft_per_min_per_inch):
    """UL 1581 / UL 2556, 9 full cycles: v[ft/min] = 5/9 f L[in]. From memory (high confidence), arithmetic checked."""
    speed = fastest_m_per_s(0.0254, needed_s(UL_2556, frequency_Hz)) / 0.3048 * 60
    assert speed == pytest.approx(ft_per_min_per_inch, rel=2e-3)


def test_the_two_rules_differ_by_3_6_at_mains_frequency():
    """9 cycles at 50 Hz against 0.05 s (IEC 62230, from memory) for a 0.5 m electrode: 166.7 and 600 m/min."""
    assert fastest_m_per_s(0.5, needed_s(UL_2556, 50)) * 60 == pytest.approx(166.7, abs=0.05)
    assert fastest_m_per_s(0.5, needed_s(IEC_62230)) * 60 == pytest.approx(600)


@given(st.floats(0.01, 5), st.floats(10, 5000))
def test_exposure_at_the_fastest_speed_is_just_enough(electrode_m, frequency_Hz):
    needed = needed_s(UL_2556, frequency_Hz)
    assert exposure_s(electrode_m, fastest_m_per_s(electrode_m, needed)) == pytest.approx(needed)


@pytest.mark.parametrize(("rule", "frequency_Hz"), [(UL_2556, None), (UL_2556, 0.0), ("any", 50.0)])
def test_a_rule_that_says_nothing_is_refused(rule, frequency_Hz):
    with pytest.raises(ValueError, match="expected IEC 62230, or UL 2556 with a frequency"):
        needed_s(rule, frequency_Hz)


@pytest.mark.parametrize(("electrode_m", "speed"), [(0.0, 1.0), (-0.5, 1.0), (0.5, -1.0)])
def test_what_is_no_electrode_or_no_speed_is_refused(electrode_m, speed):
    with pytest.raises(ValueError, match="electrode"):
        exposure_s(electrode_m, speed)


def test_exposure_is_length_by_speed():
    assert exposure_s(0.5, 2.0) == 0.25


def test_a_standing_cable_is_exposed_for_ever_and_nonsense_is_refused():
    assert exposure_s(0.5, 0.0) == float("inf")
    with pytest.raises(ValueError, match="electrode"):
        exposure_s(0.0, 1.0)
