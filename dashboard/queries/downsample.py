"""Downsampling with peaks preserved: live buckets and long trends."""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from monitor.contract.reading import Trend
from monitor.contract.record import Floats, Ints

Points = tuple[list[int], list[float | None]]


def live(trend: Trend, bucket_ms: int = 1000) -> Trend:
    """At most two points a bucket, its least and its most in their order; NaN samples are left out."""
    good = ~np.isnan(trend.v)
    t, v = trend.t_ms[good], trend.v[good]
    if len(t) <= 2:
        return Trend(t, v)
    picked = _extremes(v, np.flatnonzero(np.diff(t // bucket_ms)) + 1)
    return Trend(t[picked], v[picked])


def long(trend: Trend, points: int, break_after_ms: float) -> Points:
    """At most `points` points (4 or more): the least and the most of each of `points` / 2 equal parts of its time.

    A None lies wherever no sample came for `break_after_ms` or it was bad.
    """
    good = ~np.isnan(trend.v)
    t, v = trend.t_ms[good], trend.v[good]
    breaks = _breaks(trend.t_ms, good, break_after_ms)
    if len(t) > points:
        kept = _extremes(v, np.searchsorted(t, edges_ms(t, points // 2)[1:-1]))
        t, v = t[kept], v[kept]
    return _with_breaks(t, v, breaks)


def edges_ms(t_ms: Ints, parts: int) -> Floats:
    """Ends of the equal parts of a span of time, one more than there are parts."""
    return np.linspace(float(t_ms[0]), float(t_ms[-1]), parts + 1)


def _extremes(v: Floats, cuts: Ints) -> Ints:
    """Places of the least and the most of each piece between cuts, in order, each once."""
    ends = np.unique(np.concatenate(([0], cuts, [len(v)])))
    places = [(a + v[a:b].argmin(), a + v[a:b].argmax()) for a, b in pairwise(ends.tolist())]
    return np.unique(np.array(places, dtype=np.int64))


def _breaks(t_ms: Ints, good: NDArray[np.bool_], break_after_ms: float) -> Ints:
    """Times at which a line must be broken: bad samples, and the middle of long silences."""
    bad: Ints = t_ms[~good]
    wide = np.flatnonzero(np.diff(t_ms) > break_after_ms)
    middles = (t_ms[wide] + t_ms[wide + 1]) // 2 if len(wide) else np.empty(0, np.int64)
    return np.sort(np.concatenate((bad, middles))).astype(np.int64)


def _with_breaks(t: Ints, v: Floats, breaks: Ints) -> Points:
    place = np.searchsorted(t, breaks)
    _, one_each = np.unique(place, return_index=True)  # one break between two points is enough
    at = dict(zip(place[one_each].tolist(), breaks[one_each].tolist(), strict=True))
    ts: list[int] = []
    vs: list[float | None] = []
    for i, (when, value) in enumerate(zip(t.tolist(), v.tolist(), strict=True)):
        if i > 0 and i in at:
            ts.append(at[i])
            vs.append(None)
        ts.append(when)
        vs.append(value)
    return ts, vs
