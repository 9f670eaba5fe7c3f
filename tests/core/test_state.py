"""What the line was doing: speed says whether it moves, the machine how; calls may be cut anywhere."""

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.state import STATES, StateTimeline

BELOW = 0.1
SPEEDS = st.lists(st.floats(0, 0.3), min_size=1, max_size=40)
WORDS = st.lists(st.tuples(st.floats(0, 40), st.sampled_from(STATES)), max_size=6)


def steps(timeline: StateTimeline) -> list[tuple[float, str]]:
    return [(t, STATES[code]) for t, code in zip(timeline.t_s, timeline.code, strict=True)]


def fed(speeds: list[float], words: list[tuple[float, str]], cuts: list[int]) -> StateTimeline:
    timeline = StateTimeline(stopped_below_m_per_s=BELOW)
    for t, state in words:
        timeline.report(t, state, "")
    edges = [0, *sorted(min(c, len(speeds)) for c in cuts), len(speeds)]
    for i, j in pairwise(edges):
        timeline.add_speed(np.arange(i, j, dtype=np.float64), np.array(speeds[i:j]))
        if j > i:
            timeline.settle(j - 1.0)
    timeline.settle(1e9)
    return timeline


@given(speeds=SPEEDS, words=WORDS, cuts=st.lists(st.integers(0, 40), max_size=5))
def test_where_calls_are_cut_does_not_show(speeds, words, cuts):
    whole = fed(speeds, words, [])
    early = [w for w in words if w[0] <= len(speeds) - 1]
    assert steps(fed(speeds, early, cuts)) == steps(fed(speeds, early, []))
    assert [t for t, _ in steps(whole)] == sorted(t for t, _ in steps(whole))
    assert all(a != b for (_, a), (_, b) in pairwise(steps(whole)))


@given(speeds=SPEEDS, words=WORDS)
def test_a_line_below_the_threshold_is_stopped_whatever_is_reported(speeds, words):
    timeline = fed(speeds, words, [])
    times = np.arange(len(speeds), dtype=np.float64)
    for speed, code in zip(speeds, timeline.at(times), strict=True):
        if speed < BELOW:
            assert STATES[code] == "stopped"
        elif speed >= 1.2 * BELOW:
            assert STATES[code] != "stopped"


def test_a_speed_that_wavers_at_the_threshold_starts_nothing():
    timeline = fed([0.0, 0.11, 0.09, 0.11, 0.13, 0.11, 0.09], [], [])
    assert steps(timeline) == [(4.0, "running"), (6.0, "stopped")]


def test_on_a_bench_the_machine_alone_says_what_it_does():
    timeline = StateTimeline(stopped_below_m_per_s=0.0)
    timeline.add_speed(np.arange(3.0), np.array([0.0, 5.0, 0.0]))
    timeline.report(1.5, "running", "flame on")
    timeline.settle(10.0)
    assert steps(timeline) == [(0.0, "stopped"), (1.5, "running")]
    assert timeline.reason == ["", "flame on"]


def test_before_anything_is_known_it_is_stopped():
    assert StateTimeline(stopped_below_m_per_s=BELOW).now == "stopped"
    assert list(StateTimeline(stopped_below_m_per_s=BELOW).at(np.array([1.0]))) == [0]


@given(st.lists(st.floats(0, 0.3), min_size=2, max_size=40), WORDS, st.integers(1, 39))
def test_a_timeline_that_goes_on_from_steps_on_record_is_the_one_that_was_there(speeds, words, at):
    at = min(at, len(speeds) - 1)
    whole = fed(speeds, words, [])
    earlier = [w for w in sorted(words) if w[0] <= at - 1]
    record = [(t, state, "") for t, state in steps(whole) if t <= at - 1]
    later = StateTimeline(stopped_below_m_per_s=BELOW)
    later.begin(record)
    if earlier:
        later.report(at - 1.0, earlier[-1][1], "")
    for t, state in words:
        if t > at - 1:
            later.report(t, state, "")
    later.add_speed(np.arange(at, len(speeds), dtype=np.float64), np.array(speeds[at:]))
    later.settle(1e9)
    assert steps(later) == steps(whole)
