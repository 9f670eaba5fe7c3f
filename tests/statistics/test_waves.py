"""Periods of signals with holes: beside astropy and scipy, NIST's beam deflections, and marking on seeded signals."""

import numpy as np
import pytest
from astropy.timeseries import LombScargle
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter, lombscargle

from monitor.statistics.recurrence import NoPeriod
from monitor.statistics.waves import Wave, above_floor, find_wave, lomb_scargle
from tests.analysis.published import LEW


def holed(seed: int, n: int, share: float) -> np.ndarray:
    rng = np.random.default_rng(seed)
    y = np.sin(np.arange(n) * 2 * np.pi / 7.3) + rng.normal(0, 1, n)
    y[rng.random(n) < share] = np.nan
    if share:
        y[n // 3 : n // 2] = np.nan
    return y


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 1000), st.integers(40, 400), st.sampled_from([0.0, 0.2, 0.6]))
def test_the_power_is_that_of_astropy_at_every_frequency(seed, n, share):
    y = holed(seed, n, share)
    seen = np.isfinite(y)
    p = lomb_scargle(y, 0.5)
    reference = LombScargle(np.flatnonzero(seen) * 0.5, y[seen]).power(p.frequency, method="slow")
    good = p.frequency < 0.98
    assert p.power[good] == pytest.approx(np.clip(reference[good], 0, 1), abs=1e-6)


def test_the_power_is_that_of_scipy():
    y = holed(3, 200, 0.3)
    seen = np.isfinite(y)
    p = lomb_scargle(y, 1.0)
    v = y[seen] - y[seen].mean()
    reference = lombscargle(
        np.flatnonzero(seen).astype(float), v, 2 * np.pi * p.frequency[:-1], normalize=True, floating_mean=True
    )
    assert p.power[:-1] == pytest.approx(reference, abs=1e-6)


def test_nist_lew_beam_deflections():
    """NIST Dataplot LEW.DAT: peak 0.3018 cycles a sample, power 0.7698; least squares F 0.301807, A 343.29."""
    p = lomb_scargle(LEW, 1.0, oversample=64)
    top = int(np.argmax(p.power))
    assert p.frequency[top] == pytest.approx(0.3018, abs=1e-4)
    assert p.power[top] == pytest.approx(0.7698, abs=2e-4)
    found, _ = find_wave(LEW, 1.0, 2.5, 40)
    assert isinstance(found, Wave)
    assert 1 / found.period == pytest.approx(0.301807, abs=2e-6)
    assert found.amplitude == pytest.approx(343.29, abs=0.01)
    assert (1 / found.low - 1 / found.high) / 2 / 1.96 == pytest.approx(0.000108, rel=0.05)


@pytest.mark.parametrize("period", [2.513, 3.77, 11.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_part_s_mark_in_a_wandering_diameter_is_found(period, seed):
    """0.7 um on a signal that wanders by more and has noise of 4 um: 5 km at 4 readings a metre."""
    rng = np.random.default_rng(seed)
    n = 20_000
    wander = lfilter([1], [1, -0.999], rng.normal(0, 0.15, n))
    x = np.arange(n) / 4
    y = 3580 + 0.7 * np.sin(2 * np.pi * x / period) + wander + rng.normal(0, 4, n)
    y[5000:5600] = np.nan
    found, _ = find_wave(y, 0.25, 1.0, 30)
    assert isinstance(found, Wave), found
    assert found.period == pytest.approx(period, rel=1e-3)
    assert found.amplitude == pytest.approx(0.7, abs=0.15)


def test_a_wandering_signal_alone_names_nothing_at_the_stated_rate():
    named = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        y = lfilter([1], [1, -rng.uniform(0, 0.999)], rng.normal(0, 1, 4000)) + rng.normal(0, 3, 4000)
        found, _ = find_wave(y, 0.25, 1.0, 30)
        named += isinstance(found, Wave)
    assert named <= 8


def test_a_mark_with_harmonics_is_named_by_its_whole_turn():
    rng = np.random.default_rng(2)
    x = np.arange(16_000) / 4
    turn = (x / 5.026) % 1
    y = np.where(turn < 0.2, 3.0, 0) + np.where((turn > 0.5) & (turn < 0.7), 2.2, 0) + rng.normal(0, 1, len(x))
    found, _ = find_wave(y, 0.25, 1.0, 30)
    assert isinstance(found, Wave)
    assert found.period == pytest.approx(5.026, rel=1e-3)
    assert any(r.relation == "its half" for r in found.rivals)


def test_few_samples_and_short_records_are_silent():
    for y, says in (([1.0] * 10, "only 10 samples"), ([1.0, 2.0] * 40, "too short")):
        found, _ = find_wave(y, 1.0, 30, 100)
        assert isinstance(found, NoPeriod)
        assert says in found.why


def test_the_floor_of_noise_is_one():
    p = lomb_scargle(np.random.default_rng(1).normal(size=8000), 1.0)
    assert np.median(above_floor(p)[100:]) == pytest.approx(np.log(2), rel=0.1)
