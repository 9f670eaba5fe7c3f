"""Thinning keeps every peak, and a hole in the data stays a hole in the line."""

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.queries.downsample import edges_ms, live, long
from monitor.contract.reading import Trend
from monitor.contract.record import Floats


def trend(v: Sequence[float] | Floats, step_ms: int = 10) -> Trend:
    return Trend(np.arange(len(v), dtype=np.int64) * step_ms, np.asarray(v, dtype=np.float64))


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=500), st.integers(1, 700))
def test_live_keeps_the_least_and_the_most_of_each_second_and_no_more_than_two(v, step):
    thinned = live(trend(v, step))
    assert list(thinned.t_ms) == sorted(set(thinned.t_ms.tolist()))
    full = trend(v, step)
    for second in np.unique(full.t_ms // 1000):
        inside, kept = full.v[full.t_ms // 1000 == second], thinned.v[thinned.t_ms // 1000 == second]
        assert len(kept) <= 2
        assert kept.min() == inside.min()
        assert kept.max() == inside.max()


def test_live_leaves_bad_samples_out():
    assert live(trend([1.0, np.nan, 2.0], 1000)).v.tolist() == [1.0, 2.0]
    assert len(live(trend([])).v) == 0


@pytest.mark.parametrize("points", [4, 200, 2000])
def test_long_keeps_a_single_peak_among_many(points):
    v = np.zeros(100_000)
    v[77_777] = 9.0
    t, thinned = long(trend(v), points, 1e9)
    assert len(t) == len(thinned) <= points
    assert max(thinned) == 9.0
    assert t[thinned.index(9.0)] == 777_770


VALUES = st.one_of(st.floats(-1e3, 1e3), st.just(float("nan")))


@given(st.lists(st.tuples(st.integers(1, 5000), VALUES), min_size=1, max_size=400), st.integers(4, 60))
def test_c20_long_draws_the_least_and_the_most_of_every_part_of_any_window(samples, points):
    """C20: also with bad samples and times of any step; the points are never more than was asked for."""
    steps, v = zip(*samples, strict=True)
    full = Trend(np.cumsum(steps), np.array(v))
    ts, vs = long(full, points, 1e9)
    t, drawn = (np.array([x for x, y in zip(ts, vs, strict=True) if y is not None]),
                np.array([y for y in vs if y is not None]))  # fmt: skip
    good = ~np.isnan(full.v)
    t_all, v_all = full.t_ms[good], full.v[good]
    assert len(drawn) <= max(points, 1)
    if not len(t_all):
        return
    place = edges_ms(t_all, points // 2)[1:-1]
    of_all, of_drawn = np.searchsorted(place, t_all, "right"), np.searchsorted(place, t, "right")
    for part in np.unique(of_all):
        inside, kept = v_all[of_all == part], drawn[of_drawn == part]
        assert (kept.min(), kept.max()) == (inside.min(), inside.max())


def test_short_series_pass_unchanged():
    assert long(trend([1.0, 2.0, 3.0]), 2000, 1e9) == ([0, 10, 20], [1.0, 2.0, 3.0])


def test_a_silence_and_a_bad_sample_break_the_line_once_each():
    t = np.array([0, 100, 200, 9000, 9100, 9200], dtype=np.int64)
    v = np.array([1.0, 1.0, 1.0, 2.0, np.nan, 2.0])
    ts, vs = long(Trend(t, v), 2000, 2000)
    assert vs == [1.0, 1.0, 1.0, None, 2.0, None, 2.0]
    assert ts == sorted(ts)


@given(st.lists(st.one_of(st.floats(-1e3, 1e3), st.just(float("nan"))), max_size=300))
def test_long_never_invents_a_value(v):
    _, thinned = long(trend(v), 50, 1e9)
    assert {x for x in thinned if x is not None} <= set(v)
