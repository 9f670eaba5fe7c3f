"""What the line was doing: speed says whether it moves, the machine how; calls may be cut anywhere."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.state import STATES, StateTimeline

BELOW = 0.1
SPEEDS = st.lists(st.floats(0, 0.3), min_size=1, max_size=40)
WORDS = st.lists(st.tuples(st.floats(0, 40), st.sampled_from(STATES)), max_size=6)


def steps(timeline: StateTimeline) -> list[tuple[float, str]]:
    return [(t, STATES[code]) for t, code in zip(timeline.t_s, timeline.code, strict=True)]


def fed(speeds: list[float], words: list[tuple[float, str]], cuts: list[float]) -> StateTimeline:
    timeline = StateTimeline(stopped_below_m_per_s=BELOW)
    for t, state in words:
        timeline.report(t, state, "")
    edges = [0, *sorted(round(c * len(speeds)) for c in cuts), len(speeds)]
    for i, j in pairwise(edges):
        timeline.add_speed(np.arange(i, j, dtype=np.float64), np.array(speeds[i:j]))
        if j > i:
            timeline.settle(j - 1.0)
    timeline.settle(1e9)
    return timeline


@given(speeds=SPEEDS, words=WORDS, cuts=st.lists(st.floats(0, 1), max_size=5))
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


@pytest.mark.parametrize(
    ("reported", "states"),
    [
        ([], ["running"]),  # it never reports anything: it runs
        (["stopped"], ["ramping"]),  # it reports a stop and moves all the same
        (["ramping", "running"], ["ramping", "running"]),
        (["running", "stopped"], ["running", "ramping"]),
    ],
)
def test_a_line_that_moves_runs_or_ramps_as_it_reports(reported, states):
    timeline = fed([0.5, 0.5], [], [])
    for i, state in enumerate(reported):
        timeline.report(10.0 + i, state, f"reason {i}")
    timeline.settle(100.0)
    found = [state for _, state in steps(timeline)]
    assert found[0] == "running"
    assert found[-len(states) :] == states
    assert timeline.now == states[-1]


def test_a_reason_stays_with_the_state_that_it_was_given_for():
    timeline = fed([0.5] * 3, [], [])
    timeline.report(5.0, "ramping", "strip broke")
    timeline.add_speed(np.array([8.0]), np.array([0.0]))
    timeline.settle(9.0)
    assert [(STATES[c], r) for c, r in zip(timeline.code, timeline.reason, strict=True)][-2:] == [
        ("ramping", "strip broke"), ("stopped", ""),
    ]  # fmt: skip


def test_what_is_not_in_effect_yet_waits_and_steps_come_with_their_places():
    timeline = StateTimeline(stopped_below_m_per_s=BELOW)
    timeline.add_speed(np.array([1.0, 5.0]), np.array([0.5, 0.0]))
    assert timeline.settle(0.9) == []
    assert timeline.settle(1.0) == [0]
    assert timeline.settle(4.9) == []
    assert timeline.settle(5.0) == [1]
    assert timeline.at(np.array([0.5, 1.0, 4.9, 5.0, 9.0])).tolist() == [STATES.index(s) for s in (
        "stopped", "running", "running", "stopped", "stopped",
    )]  # fmt: skip


def test_a_line_moves_again_just_a_fifth_above_the_threshold():
    timeline = fed([0.0, 1.2 * BELOW - 1e-9, 1.2 * BELOW], [], [])
    assert steps(timeline) == [(2.0, "running")]
    assert steps(fed([0.2, BELOW, BELOW - 1e-9], [], [])) == [(0.0, "running"), (2.0, "stopped")]


def test_steps_that_no_sample_can_meet_are_dropped_and_the_one_in_force_stays():
    times = np.arange(600.0)
    timeline = fed([0.5, 0.0] * 300, [], [])
    before = timeline.at(times)
    timeline.forget_before(200.0)  # too few to be worth it
    assert len(timeline.t_s) == len(timeline.code) == len(timeline.reason) == 600
    timeline.forget_before(400.0)
    assert timeline.t_s[0] == 399.0
    assert len(timeline.code) == len(timeline.reason) == len(timeline.t_s) == 201
    assert timeline.at(times[400:]).tolist() == before[400:].tolist()
