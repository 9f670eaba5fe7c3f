"""Passages and dwell, against the identities of a line that is passed twice."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import ArrayLike

from monitor.contract.config.line import Zone
from monitor.core.passages import Passages, edges_m
from monitor.core.track import Track

ZONES = [Zone(name="oven-a", start_m=10, end_m=24), Zone(name="oven-a", pass_number=2, start_m=66, end_m=80)]


def moving_track(speeds: ArrayLike) -> Track:
    v = np.repeat(np.asarray(speeds, dtype=float), 10)
    t = np.arange(len(v), dtype=np.float64) * 0.1
    L = np.concatenate(([0], np.cumsum(0.5 * (v[1:] + v[:-1]) * 0.1)))
    track = Track(line="core-1", jump_m=1.0, slip_percent=3.0)
    track.add_counter(t, L)
    track.add_speed(t, v)
    return track


def test_dwell_over_two_passes_is_length_by_speed_at_constant_speed():
    """Identity of kinematics: dwell = length of all passes / speed (derived; no source needed)."""
    track = moving_track([4.0] * 60)
    passed = Passages.of(track, 114.0, edges_m(ZONES), np.arange(110.0, 150.0))
    assert np.allclose(passed.dwell_s(ZONES), 28.0 / 4.0)


@given(st.lists(st.floats(1.5, 6), min_size=60, max_size=80))
def test_dwell_of_all_parts_of_the_path_adds_to_the_whole_journey(speeds):
    """Conservation of time: what a metre spends in adjoining intervals adds up to head-to-take-up."""
    track = moving_track(speeds)
    parts = [Zone(name="p", start_m=a, end_m=b) for a, b in [(0, 10), (10, 24), (24, 66), (66, 80)]]
    whole = [Zone(name="w", start_m=0, end_m=80)]
    metres = np.arange(114.0, 150.0)
    split = Passages.of(track, 114.0, edges_m(parts), metres).dwell_s(parts)
    total = Passages.of(track, 114.0, edges_m(whole), metres).dwell_s(whole)
    assert not np.isnan(total[0])
    assert np.allclose(split, total, equal_nan=True)
