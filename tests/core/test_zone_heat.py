"""Means of a zone over time, against plain means."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.zone_heat import ZoneHeat


def test_zone_mean_is_the_time_mean_and_a_hole_makes_it_unverified():
    heat = ZoneHeat(held_s=1.0)
    heat.add(np.array([0.0, 1, 2, 3]), np.array([100.0, 100, 200, 200]))
    heat.add(np.array([9.0, 10]), np.array([300.0, 300]))
    mean, known = heat.mean(np.array([0.0, 1.0, 2.5, 9.0]), np.array([1.0, 3.0, 5.0, 10.0]))
    assert mean[[0, 1, 3]].tolist() == [100.0, 175.0, 300.0]
    assert known.tolist() == [True, True, False, True]


def test_a_mean_where_samples_end_or_begin_is_that_of_what_they_say():
    """The time without a sample counted into the mean as 0 degC."""
    heat = ZoneHeat(held_s=30.0)
    heat.add(np.array([0.0, 10.0, 20.0]), np.array([300.0, 300.0, 310.0]))
    mean, known = heat.mean(np.array([10.0, 20.0, 10.0, -30.0, -40.0]), np.array([40.0, 50.0, 50.1, 0.0, 10.0]))
    assert known.tolist() == [True, True, False, True, False]
    np.testing.assert_allclose(mean[known], [(10 * 305.0 + 20 * 310.0) / 30, 310.0, 300.0])


@given(st.lists(st.floats(0.5, 60.0), min_size=2, max_size=30), st.integers(1, 29), st.integers(0, 2**32 - 1))
def test_what_comes_after_the_held_time_changes_no_mean_before(steps_s, count, seed):
    """Rows are given out when nothing that comes in time can change them, however the arrivals are cut."""
    rng = np.random.default_rng(seed)
    t_s, v = np.cumsum(steps_s), rng.normal(300.0, 20.0, len(steps_s))
    first = min(count, len(t_s) - 1)
    early, whole = ZoneHeat(held_s=30.0), ZoneHeat(held_s=30.0)
    early.add(t_s[:first], v[:first])
    whole.add(t_s, v)
    b_s = rng.uniform(t_s[0], t_s[-1] + 40.0, 50)
    b_s = b_s[(b_s <= t_s[first - 1]) | (t_s[first] - t_s[first - 1] > 30.0) & (b_s < t_s[first])]
    a_s = b_s - rng.uniform(0.0, 50.0, len(b_s))
    for one, other in zip(early.mean(a_s, b_s), whole.mean(a_s, b_s), strict=True):
        np.testing.assert_array_equal(one, other)


@given(st.integers(1, 400), st.integers(0, 2**32 - 1))
def test_a_mean_is_the_same_to_the_bit_wherever_the_samples_began(first, seed):
    """An engine rebuilt from the record has received less of the past, and gives out the same rows."""
    rng = np.random.default_rng(seed)
    t_s = 1_764_000_000.0 + np.cumsum(rng.uniform(0.1, 3.0, 500))
    v = rng.normal(300.0, 20.0, 500)
    whole, part = ZoneHeat(held_s=10.0), ZoneHeat(held_s=10.0)
    for start in range(0, 500, 50):
        whole.add(t_s[start : start + 50], v[start : start + 50])
    part.add(t_s[first:], v[first:])
    a_s = rng.uniform(t_s[first], t_s[-1], 50)
    b_s = np.minimum(a_s + rng.uniform(0.0, 30.0, 50), t_s[-1])
    np.testing.assert_array_equal(whole.mean(a_s, b_s)[0], part.mean(a_s, b_s)[0])
