"""L(t): it never goes back, it is the counter where that is sound, and the counter's faults leave no mark on it."""

import itertools
from bisect import bisect_left
from collections.abc import Iterable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import ArrayLike

from monitor.contract.record import Floats
from monitor.core.track import PAST_S, PAST_STEP_S, Track

STEP_S = 0.1


def truth(speeds_m_per_s: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Times, speeds at 10 Hz, and metres run from 100 m on."""
    v = np.repeat(np.asarray(speeds_m_per_s, dtype=float), 10)
    t = np.arange(len(v), dtype=np.float64) * STEP_S
    L = 100 + np.concatenate(([0], np.cumsum(0.5 * (v[1:] + v[:-1]) * STEP_S)))
    return t, v, L


def run(t: Floats, reading: Floats, v: Floats, cuts: Iterable[int] = (), **more: Any) -> Track:
    track = Track(line="core-1", jump_m=1.0, slip_percent=3.0, **more)
    edges = [0, *sorted(c for c in cuts if c < len(t)), len(t)]
    for a, b in itertools.pairwise(edges):
        track.add_counter(t[a:b], reading[a:b])
        track.add_speed(t[a:b], v[a:b])
    return track


speeds = st.lists(st.floats(0, 6), min_size=2, max_size=40)


@given(speeds, st.lists(st.integers(0, 400), max_size=6))
def test_sound_counter_is_followed_and_any_cut_gives_the_same_track_to_the_bit(v, cuts):
    t, v, L = truth(v)
    whole, cut = run(t, L, v), run(t, L, v, cuts)
    assert np.array_equal(whole.at(t), cut.at(t))
    assert np.allclose(whole.at(t), L, atol=1e-9)
    assert not whole.faults


@given(
    st.lists(st.floats(2, 6), min_size=10, max_size=40),
    st.sampled_from(["reset", "jump", "back"]),
    st.floats(0.2, 0.8),
    st.floats(3, 50),
)
def test_reset_and_jump_are_bridged_and_told(v, kind, where, size):
    t, v, L = truth(v)
    i = int(where * len(t))
    reading = L.copy()
    reading[i:] += {"reset": -L[i], "jump": size, "back": -size}[kind]
    track = run(t, reading, v)
    assert np.all(np.diff(track.L_m) >= 0)
    assert np.abs(track.at(t) - L).max() < 0.05
    assert len(track.faults) == 1
    assert track.faults[0].kind in (("reset",) if kind == "reset" else ("jump", "reset"))
    assert track.faults[0].t_s == t[i]


def test_wrap_is_known_by_its_length_and_costs_nothing():
    t, v, L = truth([4] * 20)
    track = run(t, L % 120.0, v, wraps_at_m=120.0)
    assert [f.kind for f in track.faults] == ["wrap"]
    assert np.allclose(track.at(t), L, atol=1e-9)


def test_slip_is_noticed_and_its_metres_are_given_back():
    t, v, L = truth([4] * 60)
    slip = np.where(t > 20, (t - 20) * 4 * 0.2, 0.0)  # from 20 s on the wheel loses a fifth
    track = run(t, L - slip, v)
    assert "slip" in [f.kind for f in track.faults]
    assert abs(track.at(t[-1]) - L[-1]) < 1.0


def test_a_counter_that_trembles_between_two_spans_does_not_slip():
    t, v, _ = truth([0.0] * 20)
    track = run(t, 110.0 + 0.02 * (np.arange(len(t), dtype=np.float64) % 2) - 0.01, v)
    assert not track.faults


@pytest.mark.parametrize("share", [0.0, 0.4, 2.0])
def test_a_counter_that_counts_wrongly_for_long_is_reported_once_or_twice(share):
    """With readings a second apart, a counter that stood was reported as a jump at every one of them."""
    t = np.arange(200.0)
    v = np.full(200, 3.0)
    wrong = (t >= 60) & (t < 120)
    reading = 100 + np.concatenate(([0], np.cumsum(np.where(wrong[1:], share * 3.0, 3.0))))
    track = run(t, reading, v)
    assert 1 <= len(track.faults) <= 3
    assert "slip" in [f.kind for f in track.faults]
    assert np.abs(track.at(t) - (100 + 3.0 * t)).max() < 0.1
    assert track.slips[0][0] < 65
    assert 118 <= track.slips[-1][0] < 130
    assert {f.kind for f in track.faults if f.t_s >= 64} == set()


def test_a_reset_while_the_counter_slips_is_reported_too():
    t, v = np.arange(200.0), np.full(200, 3.0)
    slow = (t >= 60) & (t < 140)
    reading = 100 + np.concatenate(([0], np.cumsum(np.where(slow[1:], 0.6, 3.0))))
    reading[100:] -= reading[100]
    track = run(t, reading, v)
    assert [f.kind for f in track.faults][-1] == "reset"
    assert np.abs(track.at(t) - (100 + 3.0 * t)).max() < 0.1


def test_silent_counter_is_bridged_by_speed_and_taken_up_again():
    t, v, L = truth([4] * 30)
    track = Track(line="core-1", jump_m=1.0, slip_percent=3.0)
    track.add_counter(t[:100], L[:100])
    track.add_speed(t[:200], v[:200])
    assert track.end_s == pytest.approx(9.9)
    track.extend(15.0)
    assert track.at(15.0) == pytest.approx(160.0)
    track.add_counter(t[200:], L[200:])
    track.add_speed(t[200:], v[200:])
    assert np.abs(track.at(t) - L).max() < 0.01
    assert not track.faults


def test_silent_speed_leaves_the_counter_alone():
    t, v, L = truth([4] * 30)
    track = Track(line="core-1", jump_m=1.0, slip_percent=3.0)
    track.add_speed(t[:50], v[:50])
    for a in range(0, 300, 10):
        track.add_counter(t[a : a + 10], L[a : a + 10])
        if t[a] > 8:
            track.extend(t[a] - 3.0)
    assert not track.faults
    seen = t <= track.end_s
    assert np.abs(track.at(t[seen]) - L[seen]).max() < 0.05


def test_everything_silent_the_line_is_taken_to_stand():
    t, v, L = truth([4] * 5)
    track = run(t, L, v)
    track.extend(100.0)
    assert track.end_s == 100.0
    assert track.now_m < L[-1] + 0.5 * 4 * 96 + 1
    before = track.now_m
    track.extend(200.0)
    assert track.now_m == before


def test_when_is_the_last_time_at_a_metre_where_the_line_stood():
    track = Track(line="core-1", jump_m=10.0, slip_percent=1000.0)
    track.add_counter(np.array([0.0, 1, 2, 3, 4]), np.array([0.0, 4, 4, 4, 8]))
    track.add_speed(np.array([0.0, 4.0]), np.array([2.0, 2.0]))
    assert track.when(np.array([4.0]))[0] == 3.0
    assert track.when(np.array([2.0, 6.0])).tolist() == [0.5, 3.5]
    assert np.isnan(track.when(np.array([-1.0, 9.0]))).all()


@given(speeds)
def test_when_and_at_are_inverse_where_the_line_moves(v):
    t, v, L = truth(v)
    track = run(t, L, v)
    asked = np.linspace(L[0], L[-1], 17)
    assert np.allclose(track.at(track.when(asked)), asked, atol=1e-6)


def kinked(readings: Floats, i: int, size: float) -> Floats:
    """Readings that from place `i` on are off by a jump, or begin again at 0."""
    found = readings.copy()
    found[i:] += size if size else -readings[i]
    return found


@given(
    st.lists(st.floats(2, 6), min_size=20, max_size=40),
    st.integers(1, 20),
    st.lists(st.tuples(st.floats(0.6, 0.95), st.floats(-50, 50) | st.just(0.0)), max_size=3),
    st.floats(0.3, 0.9),
)
def test_a_track_that_begins_at_another_reading_comes_to_the_same_metres_to_the_bit(v, begin, kinks, silent):
    """A3: rows of a line that was rebuilt differed in their last bits."""
    t, v, L = truth(v)
    reading = L / 7.0 * 7.1
    for where, size in kinks:
        reading = kinked(reading, int(where * len(t)), size)
    received = np.flatnonzero((t < silent * t[-1]) | (t > silent * t[-1] + 3.0))

    def fed(first: int, start_m: float | None) -> Track:
        track = Track(line="core-1", jump_m=1.0, slip_percent=3.0, start_m=start_m)
        for a in range(first, len(t), 10):
            of = received[(received >= a) & (received < a + 10)]
            track.add_counter(t[of], reading[of])
            track.add_speed(t[a : a + 10], v[a : a + 10])
            if t[a] - 1.0 > track.end_s and t[a] - t[first] > 1.0:
                track.extend(t[a] - 1.0)
        return track

    whole = fed(0, None)
    first = begin // 10 * 10
    read = received[received >= first][0]
    later = fed(first, float(whole.at(t[read])) + 1e-10)
    assert later.now_m == whole.now_m
    assert np.array_equal(later.at(t[read + 11 :]), whole.at(t[read + 11 :]))


@given(
    st.lists(st.floats(0, 6), min_size=150, max_size=200),
    st.lists(st.tuples(st.floats(0.05, 0.95), st.floats(-50, 50) | st.just(0.0)), max_size=2),
    st.lists(st.tuples(st.floats(0, 0.9), st.floats(0.02, 0.3), st.sampled_from([0.0, 0.8, 1.2])), max_size=2),
    st.lists(st.tuples(st.floats(0, 0.9), st.floats(0.02, 0.2), st.sampled_from(["counter", "speed"])), max_size=2),
)
def test_a_track_that_starts_where_another_was_comes_to_the_same_to_the_bit(v, kinks, slips, silences):
    """A3: the counter may slip, stand, jump or be silent where it begins."""
    t, v, _ = truth(v)
    counted = v * STEP_S
    for where, length, share in slips:
        counted[int(where * len(t)) : int((where + length) * len(t))] *= share
    reading = 100 + np.cumsum(counted) / 7.0 * 7.1
    for where, size in kinks:
        reading = kinked(reading, int(where * len(t)), size)
    received = {"counter": np.ones(len(t), dtype=bool), "speed": np.ones(len(t), dtype=bool)}
    for where, length, which in silences:
        received[which][int(where * len(t)) : int((where + length) * len(t))] = False

    def fed(track: Track, since_s: float) -> Track:
        for a in range(0, len(t), 10):
            of = slice(a, a + 10)
            if t[of][-1] >= since_s:
                read, moved = (t[of][received[which][of]] for which in ("counter", "speed"))
                track.add_counter(read, reading[of][received["counter"][of]])
                track.add_speed(moved, v[of][received["speed"][of]])
                if t[a] - 1.0 > track.end_s:
                    track.extend(t[a] - 1.0)
        return track

    whole = fed(Track(line="core-1", jump_m=1.0, slip_percent=3.0), -1.0)
    for start in whole.starts:
        later = Track(line="core-1", jump_m=1.0, slip_percent=3.0)
        upto = bisect_left(whole.past[0], start.t_s)
        later.remember(whole.past[0][:upto], whole.past[1][:upto])
        later.start_at(start)
        fed(later, start.t_s)
        assert later.past == whole.past
        asked = t[t >= start.t_s]
        assert np.array_equal(later.at(asked), whole.at(asked))
        assert later.faults == [f for f in whole.faults if f.t_s > start.t_s]
        assert later.slips == [slip for slip in whole.slips if slip[0] > start.t_s]
        assert later.starts == [s for s in whole.starts if s.t_s >= start.t_s]


@given(speeds, st.lists(st.integers(0, 400), max_size=6))
def test_the_thin_past_is_the_same_under_any_cut_and_lies_on_the_track(v, cuts):
    """A3: where a sample that comes late is placed depended on what the track had forgotten by then."""
    t, v, L = truth(v)
    whole, parts = run(t, L, v), run(t, L, v, cuts)
    assert whole.past == parts.past
    past_t, past_L = map(np.array, whole.past)
    assert np.array_equal(whole.at(past_t), past_L)
    assert len(np.unique(past_t // PAST_STEP_S)) == len(past_t)
    assert (np.diff(past_t) < 2 * PAST_STEP_S).all()
    asked = t[t <= past_t[-1]]
    placed = whole.was_at(asked, np.full(len(asked), t[-1]))
    before = np.searchsorted(past_t, asked, side="right") - 1
    assert (placed >= past_L[before]).all()
    assert (placed <= past_L[np.minimum(before + 1, len(past_L) - 1)]).all()


@given(st.lists(st.floats(0, 6), min_size=10, max_size=40), st.floats(0.3, 0.8), st.floats(0.1, 0.99))
def test_a_late_sample_is_placed_as_the_track_was_when_it_became_known(v, known, when):
    t, v, L = truth(v)
    track, at = Track(line="core-1", jump_m=1.0, slip_percent=3.0), int(known * len(t))
    track.add_counter(t[:at], L[:at])
    track.add_speed(t[:at], v[:at])
    asked, known_s = np.array([when * track.end_s]), np.array([track.end_s])
    placed = track.was_at(asked, known_s)
    track.add_counter(t[at:], L[at:])
    track.add_speed(t[at:], v[at:])
    assert track.was_at(asked, known_s) == placed


def test_the_thin_past_reaches_as_far_back_as_it_should_and_no_further():
    t = np.arange(0.0, PAST_S + 4000.0, 1.0)
    track = Track(line="core-1", jump_m=10.0, slip_percent=3.0)
    for a in range(0, len(t), 1000):
        track.add_counter(t[a : a + 1000], 4.0 * t[a : a + 1000])
        track.add_speed(t[a : a + 1000], np.full(len(t[a : a + 1000]), 4.0))
        track.forget_before(track.now_m - 100.0)
    assert len(track.t_s) < 2000
    assert len(track.past[0]) < PAST_S / PAST_STEP_S + 1000
    end_s = track.end_s
    asked = np.array([end_s - PAST_S - 1.0, end_s - PAST_S, end_s - 3001.5, end_s - 5.0])
    placed = track.was_at(asked, np.full(4, end_s))
    assert np.isnan(placed[0])
    assert placed[1:].tolist() == (4.0 * asked[1:]).tolist()
    assert np.isnan(track.was_at(np.array([-1.0]), np.array([10.0])))[0]  # before there was any
