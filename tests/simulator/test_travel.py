"""Movement of the cable: metres are the integral of speed, and a metre's time is its inverse."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.scenario import LineScript, SpeedStep
from simulator.travel import Travel, travel

STEPS = st.lists(
    st.tuples(st.floats(1, 30), st.sampled_from([0.0, 60.0, 120.0, 240.0]), st.floats(0.5, 20)), max_size=5
)


def of(steps: list[tuple[float, float, float]], start: float = 240.0, repeat_s: float | None = None) -> Travel:
    at, speed = 0.0, []
    for pause, to, over in steps:
        at += pause
        speed.append(SpeedStep(at_s=at, to_m_per_min=to, over_s=over))
        at += over
    script = LineScript(line="core-1", recipe="core-2g5", start_m_per_min=start, line_metre_start_m=100.0,
                      drum_prefix="T", drum_length_m=(500.0,), speed=tuple(speed))  # fmt: skip
    return travel(script, repeat_s, 4.0)


@given(steps=STEPS)
def test_metres_are_the_integral_of_speed(steps):
    moved = of(steps)
    t = np.linspace(0, 150, 30_001)
    v = moved.speed(t)
    by_sum = 100.0 + np.concatenate(([0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) * np.diff(t))))
    assert moved.metres(t) == pytest.approx(by_sum, abs=1e-2)
    assert (np.diff(moved.metres(t)) >= 0).all()


@given(steps=STEPS, metre=st.floats(0, 400))
def test_the_time_of_a_metre_is_when_the_counter_shows_it(steps, metre):
    moved = of(steps)
    first, last = (float(moved.when(np.array([metre]), last=last)[0]) for last in (False, True))
    if np.isfinite(first):
        assert moved.metres(np.array([first, last])) == pytest.approx(metre, abs=1e-6)
        assert last >= first - 1e-9
        assert float(moved.metres(np.array([max(first - 1.0, -50.0)]))[0]) <= metre + 1e-9


def test_a_metre_that_is_never_reached_has_no_time():
    assert np.isinf(of([(10.0, 0.0, 5.0)]).when(np.array([1000.0]))[0])


def test_before_the_start_the_line_ran_evenly():
    assert of([]).metres(np.array([-10.0])) == pytest.approx(100.0 - 10 * 4.0)
    assert of([], start=0.0).when(np.array([96.0]))[0] == pytest.approx(-1.0)  # it had come at the usual 4 m/s


def test_a_period_goes_on_from_where_the_one_before_ended():
    moved = of([(10.0, 0.0, 5.0), (5.0, 240.0, 5.0)], repeat_s=60.0)
    period_m = float(moved.metres(np.array([60.0]))[0]) - 100.0
    t = np.linspace(0, 59, 60)
    assert moved.metres(t + 120.0) == pytest.approx(moved.metres(t) + 2 * period_m)
    stopped = [turn.t_s for turn in moved.states(0.0, 180.0) if turn.state == "stopped"]
    assert stopped == [15.0, 75.0, 135.0]
