"""Stops, and the indicators of a shift: a worked example and identities."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.analysis.shift import in_state_s, indicators, producing_s, stops, with_silence


def test_nakajima_introduction_to_tpm():
    """Nakajima (1988; recalled): 460 min, 400 running, 400 items of 0.5 min, 2 % defects: 87, 50, 98 and 42.6 %."""
    found = indicators(460 * 60, 400 * 60, 400, 392, 1 / 30)
    assert found.availability == pytest.approx(0.8696, abs=5e-5)
    assert found.effectiveness == pytest.approx(0.5)
    assert found.quality == pytest.approx(0.98)
    assert found.oee == pytest.approx(0.4261, abs=5e-5)


@given(st.floats(100, 1e5), st.floats(0.1, 1), st.floats(1, 1e5), st.floats(0, 1), st.floats(0.1, 10))
def test_oee_is_good_times_planned_time_each_over_planned_busy_time(planned, share, produced, good, nominal):
    """ISO 22400-2: the product collapses to GQ x PRI / PBT."""
    found = indicators(planned, planned * share, produced, produced * good, nominal)
    assert found.oee == pytest.approx(produced * good / nominal / planned)


def test_a_wrong_nominal_speed_shows_and_contradictions_are_refused():
    assert indicators(100, 100, 500, 500, 4.0).effectiveness == 1.25
    assert indicators(0, 0, 0, 0, 1).oee == 0
    with pytest.raises(ValueError, match="good <= produced"):
        indicators(100, 100, 10, 11, 1)


def test_while_no_data_come_a_line_does_not_produce():
    states = [(0, "running", ""), (50_000, "stopped", "joint"), (60_000, "running", "")]
    states_with_gaps = with_silence(states, [(10_000, 30_000), (55_000, 70_000)])
    assert producing_s(states_with_gaps, 0, 100_000) == pytest.approx(10 + 20 + 30)
    assert in_state_s(states_with_gaps, 0, 100_000, ("unknown",)) == pytest.approx(20 + 15)
    assert [(s.start_ms, s.end_ms) for s in stops(states_with_gaps, 0, 100_000)] == [(50_000, 55_000)]
    assert with_silence(states, []) == states


def test_figures_that_contradict_each_other_are_refused_but_not_for_the_arithmetics_error():
    good = {"planned_s": 100.0, "producing_s": 100.0, "produced_m": 10.0, "good_m": 10.0, "nominal_m_per_s": 1.0}
    for wrong in ({"planned_s": -1.0}, {"producing_s": 100.1}, {"good_m": 10.1}, {"nominal_m_per_s": 0.0}):
        with pytest.raises(ValueError, match="expected"):
            indicators(**(good | wrong))
    for just in ({"producing_s": 100.0 + 5e-7}, {"good_m": 10.0 + 5e-7}, {"nominal_m_per_s": 1e-9}):
        indicators(**(good | just))
    nothing = indicators(0.0, 0.0, 0.0, 0.0, 1.0)
    assert (nothing.availability, nothing.effectiveness, nothing.quality) == (0.0, 0.0, 0.0)


def test_a_stop_begins_with_the_first_of_its_states_and_its_reason_is_the_first_given():
    states = [(0, "stopped", ""), (5, "stopped", "joint"), (8, "stopped", "other"), (20, "running", "")]
    states += [(30, "stopped", ""), (30, "running", "")]
    (found,) = stops(states, 0, 100)
    assert (found.start_ms, found.end_ms, found.reason) == (0, 20, "joint")
    (late,) = stops(states, 10, 15)  # cut to the span at both ends
    assert (late.start_ms, late.end_ms, late.duration_s) == (10, 15, 0.005)
    (after,) = stops([(0, "ramping", "slow"), (1, "running", ""), (2, "stopped", "")], 0, 9)
    assert after.reason == ""  # what was given while it ran on is not of this stop


def test_time_in_a_state_is_counted_within_the_span_only():
    states = [(0, "running", ""), (10_000, "stopped", ""), (20_000, "ramping", ""), (30_000, "running", "")]
    assert in_state_s(states, 5000, 25_000, ("running",)) == 5.0
    assert in_state_s(states, 5000, 25_000, ("stopped",)) == 10.0
    assert in_state_s(states, 5000, 25_000, ("ramping", "running")) == 10.0
    assert in_state_s(states, 12_000, 14_000, ("stopped",)) == 2.0
    assert in_state_s([], 0, 1000, ("running",)) == 0
    assert in_state_s([(1000, "running", "")], 0, 1000, ("running",)) == 0  # after the span
    assert producing_s(states, 25_000, 30_000) == 5.0


def test_stops_have_their_reasons_and_times():
    states = [(0, "running", ""), (1000, "ramping", "strip broke"), (2000, "stopped", ""), (9000, "ramping", ""),
              (10_000, "running", ""), (20_000, "stopped", "drum change")]  # fmt: skip
    found = stops(states, 500, 30_000)
    assert [(s.start_ms, s.end_ms, s.reason) for s in found] == [
        (2000, 9000, "strip broke"),
        (20_000, 30_000, "drum change"),
    ]
    assert producing_s(states, 500, 30_000) == pytest.approx(1.5 + 11)
    assert stops([], 0, 10) == []
    assert np.isclose(producing_s([(5000, "running", "")], 0, 10_000), 5.0)
