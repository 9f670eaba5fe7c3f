"""Periods of events: published values of circular statistics, identities of folding, and marking on seeded cable."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.contract.record import Floats
from monitor.statistics.recurrence import (
    Found,
    NoPeriod,
    by_shift,
    drift,
    find,
    h_statistic,
    mean_resultant,
    periodogram,
    rayleigh_p,
    which_clock,
)

RESOLUTION_M = 0.05


def cable(
    seed: int, period: float, length: float = 5000.0, chance: float = 0.1, others: int = 10, jitter: float = 0.02
) -> tuple[Floats, int]:
    """Faults of a part that marks some of its turns, among `others` times as many random ones: (positions, of part)."""
    rng = np.random.default_rng(seed)
    turns = np.arange(rng.uniform(0, period), length, period)
    keep = rng.random(len(turns)) < chance
    mine = turns[keep] + rng.normal(0, jitter, keep.sum())
    return np.sort(np.concatenate((mine, rng.uniform(0, length, others * len(mine))))), len(mine)


# ---- published values ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("degrees", "length", "p"),
    [
        ([190.18, 175.48, 155.95, 217.83, 156.36], 0.9202565, 0.00640418),
        ([130, 90, 0, 145], 0.596197, 0.2563488),
    ],
)
def test_rayleigh_astropy_circstats(degrees, length, p):
    """astropy tests/test_circstats.py (values of R CircStats) and the docstring of rayleightest."""
    found, _ = mean_resultant(np.radians(degrees))
    assert found == pytest.approx(length, abs=1e-6)
    assert rayleigh_p(len(degrees), found) == pytest.approx(p, abs=1e-4)


def test_rayleigh_zar_leaning_trees():
    """Zar, Biostatistical Analysis (recalled): mean 99 degrees, r 0.82522, 0.001 < P < 0.002."""
    found, angle = mean_resultant(np.radians([45, 55, 81, 96, 110, 117, 132, 154]))
    assert found == pytest.approx(0.82522, abs=5e-6)
    assert math.degrees(angle) == pytest.approx(99, abs=0.5)
    assert 0.001 < rayleigh_p(8, found) < 0.002


@pytest.mark.parametrize(
    ("n", "critical"),
    [(5, 0.754), (6, 0.690), (7, 0.642), (8, 0.602), (9, 0.569), (10, 0.540), (12, 0.494), (15, 0.443), (20, 0.385)],
)
def test_rayleigh_critical_values_mardia_1972(n, critical):
    """Mardia (1972), in Davis, Statistics and Data Analysis in Geology, Table A.10, 5 %."""
    assert rayleigh_p(n, critical) == pytest.approx(0.05, abs=1e-3)


@pytest.mark.parametrize(("n", "critical"), [(5, 0.879), (8, 0.725), (10, 0.655), (15, 0.542), (20, 0.472)])
def test_rayleigh_critical_values_mardia_1972_one_percent(n, critical):
    """The series is coarse for five angles so far out: 0.0120."""
    assert rayleigh_p(n, critical) == pytest.approx(0.01, abs=2.1e-3 if n == 5 else 4e-4)


def test_the_chance_of_h_is_exponential():
    """de Jager and Buesching 2010: P(H > h) = exp(-0.4 h), here with 8 harmonics instead of 20, so never more."""
    rng = np.random.default_rng(1)
    angles = rng.uniform(0, 2 * np.pi, (4000, 50))
    powers = np.array([2 * 50 * np.abs(np.exp(1j * k * angles).mean(axis=1)) ** 2 for k in range(1, 9)])
    h = h_statistic(powers)
    for level in (5.0, 8.0):
        assert (h > level).mean() <= 1.15 * math.exp(-0.4 * level)


# ---- folding -------------------------------------------------------------------------------------------------------


@given(st.floats(0.5, 50), st.integers(5, 60), st.integers(1, 4))
def test_folding_cannot_tell_a_period_from_its_parts(period, n, k):
    """R is 1 at P, P/2, P/3, and 0 at P n/(n+1) and P n/(n-1): identities."""
    x = np.arange(n) * period
    assert mean_resultant(2 * np.pi * x / (period / k))[0] == pytest.approx(1, abs=1e-6)
    assert mean_resultant(2 * np.pi * x / (period * n / (n + 1)))[0] == pytest.approx(0, abs=1e-6)
    assert mean_resultant(2 * np.pi * x / (period * n / (n - 1)))[0] == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("period", [0.5, 1.257, 2.513, 7.3])
def test_the_longest_period_that_explains_it_is_named_with_its_parts_as_rivals(period):
    x, _ = cable(3, period, chance=0.5, others=0)
    found, _ = find(x, 0.3, 20.0, RESOLUTION_M)
    assert isinstance(found, Found)
    assert found.period == pytest.approx(period, rel=2e-4)
    assert found.low < found.period < found.high
    assert found.share > 0.8
    if period > 1:
        assert any(r.relation in ("its half", "its third", "its quarter") for r in found.rivals)


@pytest.mark.parametrize("seed", range(12))
def test_a_part_among_ten_times_as_many_random_faults_is_found_at_5_km(seed):
    period = [2.513, 1.257, 3.77, 0.628][seed % 4]
    x, _ = cable(seed, period, chance=0.08 if period > 2 else 0.04)
    found, _ = find(x, 0.4, 20.0, RESOLUTION_M)
    assert isinstance(found, Found), found
    assert found.period == pytest.approx(period, rel=1e-3)


def test_faults_in_bursts_that_come_twice_alike_are_not_taken_for_a_longer_turn():
    """Two drums with the very same marks, in bursts, at a distance of 7 turns times a whole number."""
    rng = np.random.default_rng(6)
    turns = np.arange(0, 1050, 2.513)
    burst = turns[((turns % 350) < 60) & (rng.random(len(turns)) < 0.4)] + 0.4
    x = np.concatenate((burst, burst + 2.513 * 7 * 80)) + rng.normal(0, 0.01, 2 * len(burst))
    found, _ = find(x, 0.4, 20.0, 0.1)
    assert isinstance(found, Found)
    assert found.period == pytest.approx(2.513, rel=1e-3)


def test_clean_cable_names_no_part_at_the_stated_rate():
    """200 seeded runs at 1 %: two are expected, six or more have a chance of 2 %."""
    named = 0
    for seed in range(200):
        rng = np.random.default_rng(10_000 + seed)
        found, _ = find(rng.uniform(0, 5000, rng.integers(20, 400)), 0.4, 20.0, RESOLUTION_M)
        named += isinstance(found, Found)
    assert named <= 6


def test_the_interval_holds_the_period_as_often_as_it_says():
    held = 0
    for seed in range(60):
        x, _ = cable(500 + seed, 2.513, chance=0.2, others=2)
        found, _ = find(x, 1.0, 10.0, RESOLUTION_M)
        assert isinstance(found, Found)
        held += found.low <= 2.513 <= found.high
    assert held >= 52


@pytest.mark.parametrize("n", [0, 1, 5])
def test_with_few_events_it_is_silent_and_says_why(n):
    found, grid = find(np.arange(n) * 2.5, 0.5, 10, RESOLUTION_M)
    assert isinstance(found, NoPeriod)
    assert f"only {n} events" in found.why
    assert grid is None


def test_events_too_near_together_are_reported_to_be():
    found, _ = find(np.linspace(0, 1, 20), 0.5, 10, RESOLUTION_M)
    assert isinstance(found, NoPeriod)
    assert "too close together" in found.why


@pytest.mark.parametrize("given_", [(0, 1, 0.1), (2, 1, 0.1), (1, 2, 0)])
def test_a_range_that_is_none_is_refused(given_):
    with pytest.raises(ValueError, match="least < most"):
        periodogram([1.0, 2.0], *given_)


def test_long_cable_is_cut_into_stretches_and_a_part_that_wears_still_stands_out():
    """60 km over which the circumference shrinks by 0.4 %: no one period fits all of it, the stretches' sum does."""
    rng = np.random.default_rng(8)
    turn = 2.513 * (1 - 0.004 * np.arange(25_000) / 25_000)
    x = np.cumsum(turn)[rng.random(25_000) < 0.2]
    x = np.sort(np.concatenate((x, rng.uniform(0, x[-1], len(x)))))
    found, grid = find(x, 1.0, 10.0, 0.05)
    assert grid.stretches > 10
    assert isinstance(found, Found)
    assert 2.50 < found.period < 2.515


# ---- phase ---------------------------------------------------------------------------------------------------------


def test_a_steady_part_keeps_its_phase_and_a_wearing_one_does_not():
    x, _ = cable(1, 2.513, chance=0.3, others=0)
    steady = drift(x, 2.513)
    assert steady.straight
    assert abs(steady.period_change) < 2e-4
    turn = 2.513 * (1 - 0.001 * np.arange(2000) / 2000)
    worn = drift(np.cumsum(turn), float(turn.mean()))
    assert not worn.straight
    assert worn.period_change == pytest.approx(-0.001, rel=0.2)
    assert drift([1, 2, 3], 2.5) is None


# ---- which clock ---------------------------------------------------------------------------------------------------


def run_with(speed_changes: bool, of: str, seed: int = 1) -> tuple[Floats, Floats]:
    """Events once a turn of metres or of seconds on a line whose speed changes or not: (metres, seconds)."""
    rng = np.random.default_rng(seed)
    t = np.linspace(0, 1500, 150_001)
    v = 3.8 * (1 + (0.15 * np.sign(np.sin(t / 130)) if speed_changes else 0 * t))
    L = np.concatenate(([0], np.cumsum((v[1:] + v[:-1]) / 2 * np.diff(t))))
    if of == "metres":
        x = np.arange(1, L[-1], 5.3)
        x = x[rng.random(len(x)) < 0.5]
        return x, np.interp(x, L, t)
    s = np.arange(1, 1500, 1.4)
    s = s[rng.random(len(s)) < 0.5]
    return np.interp(s, t, L), s


@pytest.mark.parametrize("of", ["metres", "seconds"])
def test_speed_changes_tell_the_clock(of):
    x, s = run_with(True, of)
    clock = which_clock(find(x, 1, 20, 0.05)[0], find(s, 0.3, 5, 0.02)[0], x, s, 0.15)
    assert clock.word == of


@pytest.mark.parametrize("of", ["metres", "seconds"])
def test_at_a_steady_speed_it_cannot_be_told(of):
    x, s = run_with(False, of)
    clock = which_clock(find(x, 1, 20, 0.05)[0], find(s, 1 / 3.8, 20 / 3.8, 0.05 / 3.8)[0], x, s, 0.0)
    assert clock.word == "undetermined"
    assert "0.0 % only" in clock.why


def test_nothing_on_either_clock_is_no_clock():
    assert which_clock(NoPeriod("x"), NoPeriod("y"), [1.0], [1.0], 0.1).word == "undetermined"


def test_a_shift_that_makes_more_faults_a_metre_shows():
    assert by_shift(["early", "late", "night"], [10, 11, 40], [20_000, 20_000, 20_000]).chance < 1e-4
    assert by_shift(["early", "late", "night"], [10, 20, 30], [10_000, 20_000, 30_000]).chance == pytest.approx(1.0)


@settings(max_examples=30)
@given(st.integers(0, 10_000), st.floats(0.6, 8))
def test_where_it_begins_does_not_matter(seed, period):
    x, _ = cable(seed, period, length=2000, chance=0.6, others=1)
    a, _ = find(x, 0.5, 10, RESOLUTION_M)
    b, _ = find(x + 12_345.6, 0.5, 10, RESOLUTION_M)
    if isinstance(a, Found) and isinstance(b, Found):
        assert a.period == pytest.approx(b.period, rel=1e-4)
    else:
        assert type(a) is type(b)
