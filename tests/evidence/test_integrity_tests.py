"""Circuit integrity: figures of EN 50200 as quoted (830 +40/-0, shocks every 5 min within 10 s), classes recalled."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from monitor.evidence.integrity_tests import EN_50200, EN_50200_WATER, Outcome, judge

T = np.arange(0, 7300, 10.0)
FLAME = np.where(T < 60, 700.0, 845.0)
SHOCKS = [300.0 * i + 3 for i in range(1, 25)]


@pytest.mark.parametrize(("broken", "ph"), [(None, 120), (7199, 90), (3601, 60), (1800, 30), (900, 15), (899, None)])
def test_the_class_is_the_longest_that_was_held(broken, ph):
    found = judge(EN_50200, T, FLAME, SHOCKS, broken, 7200)
    assert found.valid
    assert found.class_min == ph


@pytest.mark.parametrize(
    ("flame", "shocks", "water", "says"),
    [
        (np.where(T == 3000, 829.0, FLAME), SHOCKS, None, "first out at 3\u202f000 s"),
        (np.where(T == 3000, 871.0, FLAME), SHOCKS, None, "allowed 830 to 870"),
        (np.where(T == 3000, np.nan, FLAME), SHOCKS, None, "not recorded"),
        (FLAME, [s for s in SHOCKS if s != 903], None, "no shock within 10 s of 900 s"),
        (FLAME, [s + 8 for s in SHOCKS], None, "no shock within 10 s of 300 s"),
        (FLAME, SHOCKS, 900.0, "none is prescribed"),
    ],
)
def test_a_schedule_that_was_not_kept_earns_no_class_and_says_why(flame, shocks, water, says):
    found = judge(EN_50200, T, flame, shocks, None, 7200, water)
    assert found.class_min is None
    assert any(says in d for d in found.departures)


def test_water_is_due_in_the_annex():
    assert judge(EN_50200_WATER, T, FLAME, SHOCKS, None, 1800, 902).class_min == 30
    assert "never" in judge(EN_50200_WATER, T, FLAME, SHOCKS, None, 1800).departures[0]
    assert judge(EN_50200_WATER, T, FLAME, SHOCKS, 600, 1800).valid  # it broke before the water


def test_a_fault_of_the_schedule_after_the_circuit_failed_does_not_matter():
    late = np.where(T > 4000, 600.0, FLAME)
    assert judge(EN_50200, T, late, SHOCKS[:13], 3700, 7200).class_min == 60


def test_a_test_without_length_is_refused():
    with pytest.raises(ValueError, match="after ignition"):
        judge(EN_50200, T, FLAME, SHOCKS, None, 0)


def kept(**more: Any) -> Outcome:
    """The test by EN 50200 with everything kept for its two hours."""
    usual: dict[str, Any] = {"t_s": T, "flame_C": FLAME, "shocks_s": SHOCKS, "broken_s": None, "ended_s": 7200}
    return judge(EN_50200, **(usual | more))


def test_flame_is_judged_from_when_it_has_settled_to_when_the_circuit_failed_at_its_bounds():
    for C in (830.0, 870.0):
        assert kept(flame_C=np.where(T == 3000, C, FLAME)).valid
    assert kept(flame_C=np.where(T == 50, 400.0, FLAME)).valid  # not settled yet
    (first,) = kept(flame_C=np.where(T == 60, 829.0, FLAME)).departures
    assert first == "flame 829 to 845 degC, allowed 830 to 870; first out at 60 s"
    assert not kept(flame_C=np.where(T == 3000, 829.0, FLAME), broken_s=3000.0).valid
    assert kept(flame_C=np.where(T == 3010, 829.0, FLAME), broken_s=3000.0).valid
    assert kept(t_s=T[:0], flame_C=FLAME[:0]).departures == ("the flame's temperature was not recorded throughout",)


@pytest.mark.parametrize(("off_s", "valid"), [(10.0, True), (-10.0, True), (10.1, False), (-10.1, False)])
def test_a_shock_may_be_ten_seconds_early_or_late(off_s, valid):
    assert kept(shocks_s=[s + (off_s if s == 903 else 0) - 3 for s in SHOCKS]).valid is valid


def test_annex_e_is_the_same_test_for_half_an_hour_with_water_after_a_quarter():
    assert replace(EN_50200, name=EN_50200_WATER.name, classes_min=(30,), water_from_s=900.0) == EN_50200_WATER


def test_a_shock_is_due_only_if_the_circuit_held_until_it_had_to_come():
    assert kept(shocks_s=SHOCKS[:2], broken_s=909.0).valid
    assert kept(shocks_s=SHOCKS[:2], broken_s=910.0).valid
    assert kept(shocks_s=SHOCKS[:2], broken_s=911.0).departures == ("no shock within 10 s of 900 s",)
    assert kept(shocks_s=[]).departures[0] == "no shock within 10 s of 300 s"


def test_a_circuit_that_fails_after_the_test_has_held_it_all():
    found = kept(broken_s=9000.0)
    assert (found.held_s, found.class_min) == (7200, 120)
    assert (kept(ended_s=3600.0).held_s, kept(ended_s=3600.0).class_min) == (3600.0, 60)


@pytest.mark.parametrize(("water_s", "valid"), [(890.0, True), (910.0, True), (889.0, False), (911.0, False)])
def test_water_may_be_ten_seconds_early_or_late(water_s, valid):
    found = judge(EN_50200_WATER, T, FLAME, SHOCKS, None, 1800, water_s)
    assert found.valid is valid
    assert valid or found.departures == (f"water is due at 900 s, it came at {water_s:.0f} s",)


def test_water_is_due_only_after_its_time_and_where_it_is_prescribed():
    assert judge(EN_50200_WATER, T, FLAME, SHOCKS, 900.0, 1800).valid
    assert not judge(EN_50200_WATER, T, FLAME, SHOCKS, 901.0, 1800).valid
    assert kept(water_s=3000.0, broken_s=2999.0).valid  # it came after the circuit had failed
    assert kept(water_s=3000.0, broken_s=3000.0).departures == ("water at 3\u202f000 s, none is prescribed",)
