"""Suggestions: on signals whose answer is known by construction, and the same alarms as a loop over samples."""

from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike

from monitor.analysis.suggest import Recorded, crossings, joined, noise, suggest, that_matter, tried, windows_alone
from monitor.contract.config.line import Response
from monitor.contract.config.recipe import Window
from monitor.core.limit import Limit

WHY = Response(cause="xxx", consequence="xxx", corrective_action="xxx", time_to_respond_s=60)


def data(values: ArrayLike, dt: float = 1.0) -> Recorded:
    v = np.asarray(values, dtype=float)
    return Recorded(np.arange(len(v), dtype=np.float64) * dt, v, np.ones(len(v), dtype=bool))


def noisy(n: int = 40_000, seed: int = 1) -> Recorded:
    """Noise of 1 about 100 with a ripple to the limit at 104, and two real excursions of minutes."""
    rng = np.random.default_rng(seed)
    v = 100 + rng.normal(0, 1, n) + np.where(np.arange(n) % 5000 < 300, 3.5, 0)
    v[12_000:12_180] = 108 + rng.normal(0, 1, 180)
    v[30_000:30_240] = 107 + rng.normal(0, 1, 240)
    return data(v)


def test_noise_is_that_of_the_quick_part():
    assert noise(noisy().v) == pytest.approx(1.0, rel=0.05)


def test_the_ripple_is_silenced_and_the_real_ones_are_reported():
    recorded = noisy()
    found = tried(recorded, 104.0, 1, 0.0, [0.0, 1.0, 2.0, 4.0], real=[(12_000, 12_180), (30_000, 30_240)])
    plain = next(c for c in found if c.deadband == 0 and c.on_delay_s == 0)
    assert plain.nuisance > 100
    answer = suggest(found, shifts=1.39, most_per_shift=1)
    assert answer.chosen is not None
    assert answer.chosen.nuisance <= 1
    assert answer.chosen.missed == 0
    assert answer.chosen.delay_worst_s <= 20
    assert "nuisance alarms per shift" in answer.why


def test_a_longer_delay_never_raises_more_nor_sooner():
    found = tried(noisy(), 104.0, 1, 0.0, [1.0], real=[(12_000, 12_180), (30_000, 30_240)])
    counts = [c.nuisance + c.detected for c in found]
    assert counts == sorted(counts, reverse=True)
    assert all(c.delay_worst_s >= c.on_delay_s for c in found if c.detected)


def test_where_nothing_will_do_it_says_so():
    rng = np.random.default_rng(2)
    v = np.where(np.arange(4000) % 100 < 70, 110.0, 100.0) + rng.normal(0, 0.1, 4000)
    found = tried(data(v), 105.0, 1, 0.0, [0.0], real=[(0, 10)], delays_s=(0.0, 10.0))
    answer = suggest(found, 1.0, 2)
    assert answer.chosen is None
    assert "Review the limit" in answer.why


@settings(max_examples=60)
@given(
    v=st.lists(st.sampled_from([0.0, 1.0, 2.0, 3.0]), min_size=1, max_size=60),
    repeat=st.integers(1, 700),
    band=st.sampled_from([0.0, 1.0, 1.5]),
    delay=st.sampled_from([0.0, 3.0, 50.0]),
    sign=st.sampled_from([1, -1]),
)
def test_what_does_not_matter_changes_no_alarm(v, repeat, band, delay, sign):
    whole = data(np.repeat(v, repeat))
    for at in (0.5, 1.5, 2.5):
        near = that_matter(whole, at, sign, band)
        a = crossings(whole, Limit(at=at, sign=sign, deadband=band, on_delay=delay, off_delay=7.0))
        b = crossings(near, Limit(at=at, sign=sign, deadband=band, on_delay=delay, off_delay=7.0))
        assert a == b


@settings(max_examples=80)
@given(
    v=st.lists(st.integers(0, 9), min_size=1, max_size=200),
    hi=st.integers(3, 7),
    band=st.integers(0, 3),
    on=st.integers(0, 4),
    off=st.integers(0, 4),
)
def test_the_same_alarms_as_a_loop_over_samples(v, hi, band, on, off):
    window = Window(stream="a/b", unit="mm", hi=hi, deadband=band, on_delay_s=on, off_delay_s=off, high=WHY)
    found = [round(one.raised) for _, one in windows_alone(data(v), window)]
    assert found == loop(v, hi, band, on, off)


def loop(v: Iterable[float], hi: float, band: float, on: float, off: float) -> list[int]:
    """The definition, sample by sample: OPC 10000-9 B.1.5."""
    raised, since, active, left = [], None, False, None
    for t, x in enumerate(v):
        if active and left is not None and x <= hi - band and t - left >= off:
            active = False
        if active:
            if x > hi - band:
                left = None
            elif left is None:
                left = t
                if off == 0:
                    active = False
        if not active:
            left = None
            since = (t if since is None else since) if x > hi else None
            if since is not None and t - since >= on:
                raised.append(t)
                active, since = True, None
    return raised


def test_parts_are_joined():
    assert joined([data([1, 2]), data([3])]).v.tolist() == [1, 2, 3]
