"""Lay length and tape overlap from a rotation and the line's movement: worked examples and limits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.config.line import Derived
from monitor.contract.config.recipe import Tape
from monitor.core.derived_streams import by_speed_m_per_min, derived, moved_m_per_min
from monitor.core.track import Track

LAY = Derived(rule="lay length", of="bow/speed", twists_per_turn=2)
OVERLAP = Derived(rule="tape overlap", of="bow/speed", tape="mica")
TAPE = Tape(name="mica", width_mm=10.0, on_diameter_mm=4.0)


def test_lay_of_a_double_twist_bow():
    """40 m/min and 250 turns a minute, two twists a turn: 40 000 / 500 = 80 mm (by definition)."""
    assert derived(LAY, None, np.array([250.0]), np.array([40.0])) == pytest.approx([80.0])


def test_a_tape_wound_at_its_own_width_measured_along_the_cable_does_not_overlap():
    """Width across the tape: pitch x sin(angle); where pitch makes the turns touch, the overlap is 0 (geometry)."""
    around = np.pi * 4.0
    pitch = 1 / np.sqrt(1 / 10.0**2 - 1 / around**2)  # width = pitch * around / hypot(pitch, around)
    assert pitch * around / np.hypot(pitch, around) == pytest.approx(10.0)
    rpm = np.array([1000.0])
    assert derived(OVERLAP, TAPE, rpm, rpm * pitch / 1000) == pytest.approx([0.0], abs=1e-9)


@given(
    rpm=st.lists(st.floats(-10, 500), min_size=1, max_size=10),
    speed=st.floats(-10, 100),
    rule=st.sampled_from([(LAY, None), (OVERLAP, TAPE)]),
)
def test_where_nothing_moves_or_turns_there_is_no_value(rpm, speed, rule):
    made_by, tape = rule
    found = derived(made_by, tape, np.array(rpm), np.full(len(rpm), speed))
    for value, turns in zip(found, rpm, strict=True):
        if turns > 1e-300 and speed > 0:
            assert np.isfinite(value)
        elif turns <= 0 or speed <= 0:
            assert np.isnan(value)
        assert not np.isinf(value)


def test_without_its_tape_there_is_no_overlap():
    assert np.isnan(derived(OVERLAP, None, np.array([100.0]), np.array([10.0]))).all()


def test_movement_by_the_track_and_by_speed_agree():
    t = np.arange(0.0, 10.0, 0.1)
    track = Track(line="lay-1", jump_m=1.0, slip_percent=3.0)
    track.add_speed(t, np.full(len(t), 0.5))
    track.add_counter(t, 100.0 + 0.5 * t)
    at = np.array([0.5, 1.0, 5.0])
    assert moved_m_per_min(track, at)[1:] == pytest.approx(30.0)
    assert by_speed_m_per_min(t, np.full(len(t), 30.0), at)[1:] == pytest.approx(30.0)
    assert np.isnan(moved_m_per_min(track, at)[0])  # the second before is not known
    assert np.isnan(by_speed_m_per_min(t, np.full(len(t), 30.0), at)[0])
    assert np.isnan(by_speed_m_per_min(t[:1], np.array([30.0]), at)).all()
