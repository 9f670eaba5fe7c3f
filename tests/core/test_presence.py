"""Missing and stuck instruments: every stream check meets the same list of cases."""

import itertools
from collections.abc import Iterable, Sized

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import ArrayLike

from monitor.contract.record import Floats, Ints
from monitor.core.presence import Missing, Silence, Stuck


def steps_of(silences: Iterable[Silence]) -> list[tuple[bool, float]]:
    return [(s.begins, s.t_s) for s in silences]


def seqs(t: Sized, size: int = 1) -> Ints:
    return np.arange(len(t)) // size


def at(times: ArrayLike) -> Floats:
    """The counter of a line that runs at 2 m/s."""
    return 2.0 * np.asarray(times, dtype=float)


def receive(m: Missing, times: ArrayLike) -> list[tuple[bool, float]]:
    t = np.asarray(times, dtype=float)
    return steps_of(m.receive(t, at(t), t, seqs(t)))


def test_a_stream_that_never_sent_is_missing_from_the_start():
    assert steps_of(Missing(after_s=5.0, last_s=100.0, last_m=200.0).wait(105.0)) == []
    m = Missing(after_s=5.0, last_s=100.0, last_m=200.0)
    assert steps_of(m.wait(105.1)) == [(True, 105.0)]
    assert steps_of(m.wait(300.0)) == []
    assert receive(m, [301.0]) == [(False, 301.0)]


def test_a_hole_between_samples_is_reported_even_when_found_afterwards():
    assert receive(Missing(after_s=5.0, last_s=0.0, last_m=0.0), [1, 2, 20, 21]) == [(True, 7.0), (False, 20.0)]


def test_a_message_that_came_after_the_wait_was_over_ends_the_silence_it_made():
    m = Missing(after_s=5.0, last_s=0.0, last_m=0.0)
    t = np.array([4.0, 4.5])
    assert steps_of(m.receive(t, at(t), np.array([9.0, 9.0]), np.array([1, 1]))) == [(True, 5.0), (False, 5.0)]


def test_a_long_block_is_no_silence_inside():
    m = Missing(after_s=2.0, last_s=0.0, last_m=0.0)
    t = np.arange(1.0, 10.0)
    assert steps_of(m.receive(t, at(t), np.full(9, 9.0), np.ones(9, dtype=int))) == [(True, 2.0), (False, 2.0)]


@given(st.lists(st.integers(1, 12), min_size=1, max_size=40), st.lists(st.floats(0, 1), max_size=4))
def test_any_cut_of_a_stream_reports_the_same_silences(steps, cuts):
    t = np.cumsum(steps).astype(float)
    whole = receive(Missing(after_s=5.0, last_s=0.0, last_m=0.0), t)
    m, parts = Missing(after_s=5.0, last_s=0.0, last_m=0.0), []
    edges = [0, *sorted(round(c * len(t)) for c in cuts), len(t)]
    for a, b in itertools.pairwise(edges):
        if b > a:
            parts += steps_of(m.wait(t[a])) if t[a] - m.last_s > 5.0 else []
            parts += receive(m, t[a:b])
    assert parts == whole


def stuck(s: Stuck, times: ArrayLike, values: ArrayLike, moving: ArrayLike | None = None) -> list[tuple[bool, float]]:
    t, v = np.asarray(times, dtype=float), np.asarray(values, dtype=float)
    m = np.ones(len(t), dtype=bool) if moving is None else np.asarray(moving, dtype=bool)
    return steps_of(s.receive(t, v, m, at(t), t, seqs(t)))


def test_a_value_that_never_changes_is_stuck_after_its_time():
    assert stuck(Stuck(after_s=3.0), range(6), [7] * 6) == [(True, 3.0)]


def test_any_change_ends_it():
    assert stuck(Stuck(after_s=3.0), range(6), [7, 7, 7, 7, 7.1, 7]) == [(True, 3.0), (False, 4.0)]


def test_a_silence_so_long_begins_again():
    """The same value before and after a hole: nobody can say that it stood still between."""
    assert stuck(Stuck(after_s=3.0), [0, 1, 9, 10, 11], [7] * 5) == []
    assert stuck(Stuck(after_s=3.0), [0, 1, 9, 10, 11, 12], [7] * 6) == [(True, 12.0)]


def test_a_silence_of_just_its_time_begins_again():
    assert stuck(Stuck(after_s=3.0), [0, 2, 5, 6], [7] * 4) == []
    assert stuck(Stuck(after_s=3.0), [0, 2.9, 5.8], [7] * 3) == [(True, 5.8)]


def test_a_standing_line_may_keep_its_values():
    assert stuck(Stuck(after_s=3.0), range(8), [7] * 8, [0, 0, 0, 0, 1, 1, 1, 1]) == [(True, 6.0)]


def test_zero_is_a_value():
    assert stuck(Stuck(after_s=2.0), range(4), [0] * 4) == [(True, 2.0)]


@given(st.lists(st.sampled_from([0.0, 1.0]), min_size=1, max_size=40), st.lists(st.floats(0, 1), max_size=5))
def test_any_cut_of_a_stream_reports_the_same_of_stuck(values, cuts):
    t = np.arange(len(values), dtype=float)
    whole, s, parts = stuck(Stuck(after_s=3.0), t, values), Stuck(after_s=3.0), []
    edges = [0, *sorted(round(c * len(t)) for c in cuts), len(t)]
    for a, b in itertools.pairwise(edges):
        parts += stuck(s, t[a:b], values[a:b]) if b > a else []
    assert parts == whole


@given(st.lists(st.sampled_from([0.0, 1.0]), min_size=8, max_size=40), st.lists(st.floats(0, 1), max_size=5))
def test_a_silence_is_placed_where_it_began_also_at_its_end_and_under_any_cut(values, cuts):
    """A3: what the track had forgotten by then was placed at the first metre that it still knew."""
    t, v = np.arange(len(values), dtype=float), np.asarray(values)
    s, found = Stuck(after_s=3.0), []
    edges = [0, *sorted(round(c * len(t)) for c in cuts), len(t)]
    for a, b in itertools.pairwise(edges):
        if b > a:
            part = t[a:b]
            found += s.receive(part, v[a:b], np.ones(b - a, dtype=bool), at(part), part, seqs(part))
    assert [x.since_m for x in found] == [2.0 * x.since_s for x in found]
    for begun, ended in itertools.pairwise(found):
        if begun.begins:
            assert not ended.begins
            assert ended.since_s == begun.since_s


@given(st.lists(st.integers(1, 12), min_size=1, max_size=40), st.lists(st.floats(0, 1), max_size=4))
def test_a_stream_that_was_missing_is_placed_at_its_last_sample(steps, cuts):
    t = np.cumsum(steps).astype(float)
    m, found = Missing(after_s=5.0, last_s=0.0, last_m=0.0), []
    edges = [0, *sorted(round(c * len(t)) for c in cuts), len(t)]
    for a, b in itertools.pairwise(edges):
        if b > a:
            found += m.wait(t[a]) if t[a] - m.last_s > 5.0 else []
            found += m.receive(t[a:b], at(t[a:b]), t[a:b], seqs(t[a:b]))
    assert [x.since_m for x in found] == [2.0 * x.since_s for x in found]


def test_a_silence_after_a_sample_that_came_late_is_known_no_sooner_than_the_sample():
    """A3: its alarm was put before what had become known earlier, depending on where a call ended."""
    m, t, known = Missing(after_s=5.0, last_s=0.0, last_m=0.0), np.array([20.0, 21.0]), np.array([90.0, 90.0])
    late = m.receive(t, at(t), known, np.array([7, 7]))
    assert [(s.begins, s.t_s, s.known_s) for s in late] == [(True, 5.0, 5.0), (False, 20.0, 90.0)]
    (again,) = m.wait(90.0)
    assert (again.begins, again.t_s, again.known_s, again.seq) == (True, 26.0, 90.0, 7)
