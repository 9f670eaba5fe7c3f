"""The wire delays, repeats and reorders; it loses only what it is told to lose, and takes every message alike."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from simulator.scenario import Wire
from simulator.wire import StreamWire

READY = np.arange(400, dtype=np.float64) * 0.5
shares = st.floats(0.0, 1.0)


@given(shares, shares, st.integers(0, 99))
def test_nothing_is_lost_unless_told(repeated: float, reordered: float, seed: int) -> None:
    wire = Wire(delay_mean_s=0.1, delay_most_s=0.5, repeated_share=repeated, reordered_share=reordered)
    carried = StreamWire(wire, np.random.default_rng(seed)).carry(READY)
    assert all(1 <= len(times) <= 2 for times in carried)
    assert all(at >= ready for times, ready in zip(carried, READY, strict=True) for at in times)


@given(st.integers(0, 400), st.integers(0, 99))
def test_the_cut_does_not_show(cut: int, seed: int) -> None:
    wire = Wire(delay_mean_s=0.4, delay_most_s=2.0, repeated_share=0.1, reordered_share=0.1, lost_share=0.1)
    whole = StreamWire(wire, np.random.default_rng(seed)).carry(READY)
    parts = StreamWire(wire, np.random.default_rng(seed))
    assert parts.carry(READY[:cut]) + parts.carry(READY[cut:]) == whole


def test_a_kind_wire_keeps_the_order_and_bounds_the_delay() -> None:
    carried = StreamWire(Wire(delay_mean_s=0.4, delay_most_s=2.0), np.random.default_rng(1)).carry(READY)
    at = np.array([times[0] for times in carried])
    assert (np.diff(at) >= 0).all()
    assert (at - READY).max() <= 2.0
    assert 0.2 < (at - READY).mean() < 0.8


def test_shares_are_as_told() -> None:
    wire = Wire(repeated_share=0.2, reordered_share=0.3, lost_share=0.1, reordered_by_s=3.0)
    carried = StreamWire(wire, np.random.default_rng(2)).carry(np.arange(20_000, dtype=np.float64) * 0.5)
    counts = np.bincount([len(times) for times in carried], minlength=3) / 20_000
    # Each share is a binomial proportion: five standard deviations at most.
    for seen, expected in ((counts[0], 0.1), (counts[2], 0.2 * 0.9)):
        assert abs(seen - expected) < 5 * np.sqrt(expected * (1 - expected) / 20_000)
    first = np.array([times[0] for times in carried if times])
    assert (np.diff(first) < 0).mean() > 0.1
