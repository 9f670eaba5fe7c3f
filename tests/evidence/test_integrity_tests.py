"""Circuit integrity: figures of EN 50200 as quoted (830 +40/-0, shocks every 5 min within 10 s), classes recalled."""

import numpy as np
import pytest

from monitor.evidence.integrity_tests import EN_50200, EN_50200_WATER, judge

T = np.arange(0, 7300, 10.0)
FLAME = np.where(T < 60, 700.0, 845.0)
SHOCKS = [300.0 * i + 3 for i in range(1, 25)]


@pytest.mark.parametrize(("broken", "ph"), [(None, 120), (7199, 90), (3601, 60), (1800, 30), (899, None)])
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
