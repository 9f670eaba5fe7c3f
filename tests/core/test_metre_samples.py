"""Samples gathered by metre, against plain sums."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.metre_samples import Cells

samples = st.lists(st.tuples(st.floats(0, 0.7), st.floats(-5, 5)), min_size=1, max_size=80)


@given(samples, st.lists(st.integers(0, 80), max_size=5))
def test_any_cut_gathers_the_same_to_the_bit(steps, cuts):
    M = 50.3 + np.cumsum([s[0] for s in steps])
    v = np.array([s[1] for s in steps])
    t = np.arange(len(v), dtype=float)
    whole, parts = Cells(held_s=0.5), Cells(held_s=0.5)
    whole.add(M, t, v)
    edges = [0, *sorted(min(c, len(t)) for c in cuts), len(t)]
    for a, b in itertools.pairwise(edges):
        if b > a:
            parts.add(M[a:b], t[a:b], v[a:b])
    count = int(M[-1]) - 50 + 3
    passed = np.full(count, 1e9)
    for one, other in zip(whole.take(50, count, passed), parts.take(50, count, passed), strict=True):
        assert np.array_equal(one, other, equal_nan=True)


@given(samples)
def test_mean_least_and_most_are_those_of_the_samples_in_the_metre(steps):
    M = np.cumsum([s[0] for s in steps])
    v = np.array([s[1] for s in steps])
    cells = Cells(held_s=0.0)
    cells.add(M, np.arange(len(v), dtype=float), v)
    count = int(M[-1]) + 1
    mean, least, most = cells.take(0, count, np.full(count, 1e9))
    for k in range(count):
        inside = v[np.floor(M) == k]
        if len(inside):
            assert mean[k] == pytest.approx(inside.mean(), abs=1e-12)
            assert (least[k], most[k]) == (inside.min(), inside.max())
        else:
            assert np.isnan(mean[k])


def test_a_slow_gauge_speaks_for_the_metres_it_is_held_for_and_no_further():
    cells = Cells(held_s=1.0)
    cells.add(np.array([0.2, 8.2]), np.array([0.0, 2.0]), np.array([5.0, 6.0]))
    passed = np.arange(9, dtype=np.float64) * 0.25
    mean, _, _ = cells.take(0, 9, passed)
    assert mean[:5].tolist() == [5.0] * 5
    assert np.isnan(mean[5:8]).all()
    assert mean[8] == 6.0


def test_rows_taken_one_by_one_equal_rows_taken_together():
    rng = np.random.default_rng(7)
    M, v = np.sort(rng.uniform(0, 40, 60)), rng.normal(size=60)
    t = M / 4
    one, many = Cells(held_s=0.6), Cells(held_s=0.6)
    one.add(M, t, v)
    many.add(M, t, v)
    passed = (np.arange(41) + 0.5) / 4
    together = one.take(0, 41, passed)
    singly = [many.take(k, 1, passed[k : k + 1]) for k in range(41)]
    for i in range(3):
        assert np.array_equal(together[i], np.concatenate([s[i] for s in singly]), equal_nan=True)


@given(st.integers(0, 12), st.lists(st.floats(0.1, 4.0), min_size=3, max_size=12))
def test_rows_that_begin_later_hold_what_those_before_would_have(skipped, steps):
    """An engine made from the record gives no rows that the record has, and those behind them are the same."""
    M = 10.0 + np.cumsum(steps)
    t_s = np.arange(len(M), dtype=float)
    count = int(M[-1]) - 9
    skipped = min(skipped, count)
    passed_s = np.interp(10.5 + np.arange(count), M, t_s)
    whole, later = Cells(held_s=5.0), Cells(held_s=5.0)
    for cells in (whole, later):
        cells.add(M, t_s, np.arange(len(M), dtype=np.float64) + 0.5)
    every = whole.take(10, count, passed_s)
    rest = later.take(10 + skipped, count - skipped, passed_s[skipped:])
    for a, b in zip(every, rest, strict=True):
        assert np.array_equal(a[skipped:], b, equal_nan=True)
