"""Deadband, on-delay and off-delay: the words of OPC UA part 9, and a plain machine that reads one sample at a time."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import ArrayLike

from monitor.core.limit import Crossing, Limit, Stretch


def stretch(times: ArrayLike, values: ArrayLike, open_: ArrayLike | None = None) -> Stretch:
    t, v = np.asarray(times, dtype=float), np.asarray(values, dtype=float)
    shut = np.ones(len(t), dtype=bool) if open_ is None else np.asarray(open_, dtype=bool)
    return Stretch(t_s=t, v=v, L_m=4.0 * t, known_s=t, seq=np.arange(len(t)), open=shut)


def events(crossings: list[Crossing]) -> list[tuple[str, float]]:
    return [("raised" if c.raised else "gated" if c.gated else "returned", c.at.t_s) for c in crossings]


def run(limit: Limit, t: ArrayLike, v: ArrayLike, open_: ArrayLike | None = None) -> list[tuple[str, float]]:
    s = stretch(t, v, open_)
    return events(limit.feed(s, s.t_s, s.t_s))


class TestOpcUaPart9B15:
    """OPC 10000-9 v1.05, B.1.5 (reference.opcfoundation.org/Core/Part9/v105/docs/B.1.5): the words of each case."""

    def test_value_must_stay_above_the_limit_for_the_whole_on_delay(self):
        limit = Limit(at=10, sign=1, deadband=0, on_delay=5, off_delay=0)
        assert run(limit, range(12), [11] * 4 + [9] + [11] * 7) == [("raised", 10)]

    def test_returns_only_below_the_limit_less_the_deadband(self):
        limit = Limit(at=10, sign=1, deadband=2, on_delay=0, off_delay=0)
        assert run(limit, range(6), [9, 11, 9, 8.5, 7.9, 9]) == [("raised", 1), ("returned", 4)]

    def test_off_delay_holds_it(self):
        limit = Limit(at=10, sign=1, deadband=0, on_delay=0, off_delay=3)
        assert run(limit, range(9), [11, 9, 9, 11, 9, 9, 9, 9, 9]) == [("raised", 0), ("returned", 7)]

    def test_each_limit_may_have_its_own_deadband(self):
        narrow, wide = (
            Limit(at=10, sign=1, deadband=0.5, on_delay=0, off_delay=0),
            Limit(at=10, sign=1, deadband=3, on_delay=0, off_delay=0),
        )
        values = [11, 9.4, 6.9]
        assert run(narrow, range(3), values) == [("raised", 0), ("returned", 1)]
        assert run(wide, range(3), values) == [("raised", 0), ("returned", 2)]


def test_a_value_equal_to_the_limit_is_not_beyond_it():
    assert run(Limit(at=10, sign=1, deadband=0, on_delay=0, off_delay=0), range(3), [10, 10, 10]) == []
    assert run(Limit(at=10, sign=-1, deadband=0, on_delay=0, off_delay=0), range(3), [10, 10, 10]) == []


def test_delay_in_metres_waits_while_the_line_stands():
    limit = Limit(at=10, sign=1, deadband=0, on_delay=2.0, off_delay=0)
    s = stretch(range(8), [11] * 8)
    metres = np.array([0, 1, 1.5, 1.5, 1.5, 1.5, 2.5, 3])
    assert events(limit.feed(s, metres, s.t_s)) == [("raised", 6)]


def test_a_stopped_line_does_not_cry_and_what_stood_is_put_aside():
    limit = Limit(at=10, sign=-1, deadband=0, on_delay=0, off_delay=0)
    assert run(limit, range(6), [9, 9, 0, 0, 9, 9], [1, 1, 0, 0, 1, 1]) == [("raised", 0), ("gated", 2), ("raised", 4)]


def test_the_stretch_runs_from_the_first_sample_beyond_to_the_first_back():
    limit = Limit(at=10, sign=1, deadband=0, on_delay=2, off_delay=2)
    s = stretch(range(9), [9, 11, 15, 11, 9, 9, 9, 9, 9])
    raised, returned = limit.feed(s, s.t_s, s.t_s)
    assert (raised.start.t_s, returned.start.t_s, returned.end.t_s) == (1, 1, 4)
    assert returned.extreme == 15


@pytest.mark.parametrize("sign", [1, -1])
def test_where_it_is_judged_no_further_what_is_open_ends_there_or_where_it_was_left(sign):
    def limit(*values: float) -> tuple[Limit, Stretch]:
        made, s = (
            Limit(at=10 * sign, sign=sign, deadband=0, on_delay=1, off_delay=5),
            stretch(range(len(values)), sign * np.array(values)),
        )
        made.feed(s, s.t_s, s.t_s)
        return made, s

    for values in ((9, 9), (9, 11)):  # idle, pending: nothing is open
        made, s = limit(*values)
        assert made.closed(s.point(1, s.t_s)) is None
    made, s = limit(11, 14, 12)
    here = s.point(2, s.t_s)
    ended = made.closed(here)
    assert ended == Crossing(raised=False, at=here, start=s.point(0, s.t_s), end=here, extreme=sign * 14.0)
    made, s = limit(11, 14, 9, 8)
    ended = made.closed(s.point(3, s.t_s))
    assert ended is not None
    assert (ended.at.t_s, ended.end, ended.extreme) == (3, s.point(2, s.t_s), sign * 14.0)


def test_a_crossing_bears_time_place_and_what_was_known_then():
    s = Stretch(
        t_s=np.array([1.0, 2.0]), v=np.array([11.0, 12.0]), L_m=np.array([4.0, 8.0]), known_s=np.array([5.0, 6.0]),
        seq=np.array([7, 8]), open=np.ones(2, dtype=bool),
    )  # fmt: skip
    (raised,) = Limit(at=10, sign=1, deadband=0, on_delay=1, off_delay=0).feed(s, s.t_s, s.t_s)
    point = raised.at
    assert (point.t_s, point.L_m, point.clock, point.value, point.known_s, point.seq) == (2.0, 8.0, 2.0, 12.0, 6.0, 8)
    assert (raised.start.t_s, raised.start.value, raised.end, raised.extreme) == (1.0, 11.0, None, 12.0)


# ---- against a machine that reads one sample at a time --------------------------------------------------------


class OneByOne:
    """The same rules written as a person would say them, a sample at a time."""

    def __init__(self, at: float, sign: int, deadband: float, on_delay: float, off_delay: float) -> None:
        self.at, self.sign, self.deadband, self.on, self.off = at, sign, deadband, on_delay, off_delay
        self.since: float | None = None
        self.left: float | None = None
        self.active = False
        self.events: list[tuple[str, float]] = []

    def sample(self, t: float, v: float, open_: bool) -> None:
        x, limit = self.sign * v, self.sign * self.at
        if self.active:
            holding = open_ and x > limit - self.deadband
            if holding:
                self.left = None
            else:
                self.left = t if self.left is None else self.left
                if not open_:
                    self.events.append(("gated", t))
                    self.active, self.left = False, None
                    return
                if t - self.left >= self.off:
                    self.events.append(("returned", t))
                    self.active, self.left = False, None
                    # the same sample may not raise again: it is not beyond the limit
            return
        if not (open_ and x > limit):
            self.since = None
            return
        self.since = t if self.since is None else self.since
        if t - self.since >= self.on:
            self.events.append(("raised", t))
            self.active, self.since = True, None


levels = st.sampled_from([6.0, 8.0, 9.0, 9.5, 10.0, 10.5, 11.0, 14.0])
series = st.lists(st.tuples(st.integers(1, 3), levels, st.integers(0, 9)), max_size=60)
settings_of_limit = st.tuples(
    st.sampled_from([1, -1]), st.sampled_from([0.0, 0.5, 2.0]), st.integers(0, 4), st.integers(0, 4)
)


@given(series, settings_of_limit, st.lists(st.floats(0, 1), max_size=5))
def test_any_cut_agrees_with_one_sample_at_a_time(samples, how, cuts):
    sign, deadband, on, off = how
    t = np.cumsum([s[0] for s in samples]).astype(float)
    v = np.array([s[1] for s in samples])
    open_ = np.array([s[2] > 0 for s in samples])
    plain = OneByOne(10.0, sign, deadband, on, off)
    for ti, vi, oi in zip(t, v, open_, strict=True):
        plain.sample(ti, vi, oi)
    limit = Limit(at=10.0, sign=sign, deadband=deadband, on_delay=on, off_delay=off)
    found = []
    edges = [0, *sorted(round(c * len(t)) for c in cuts), len(t)]
    for a, b in itertools.pairwise(edges):
        if b > a:
            found += run(limit, t[a:b], v[a:b], open_[a:b])
    assert found == plain.events


@pytest.mark.parametrize("sign", [1, -1])
def test_quiet_is_true_only_where_feed_would_say_nothing(sign):
    limit = Limit(at=10, sign=sign, deadband=1, on_delay=0, off_delay=0)
    values = np.array([10.0, 9.0, 10.0]) if sign > 0 else np.array([10.0, 11.0, 10.0])
    assert limit.quiet(values.min(), values.max())
    assert run(limit, range(3), values) == []
