"""Naming the part, what went before, and whether a repair helped."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from monitor.analysis.before import what_went_before
from monitor.analysis.parts import rank, turn
from monitor.contract.config.line import RotatingPart
from monitor.statistics.rates import changed_at, pareto, rate_change
from tests.core.story import configuration

PARTS = configuration().lines["core-1"].rotating_part


# ---- parts ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("part", [p for p in PARTS if p.circumference_m], ids=lambda p: p.name)
def test_a_part_is_named_by_its_turn_worn_within_its_tolerance(part):
    at = part.circumference_m * (1 - part.wear_tolerance_percent / 300)
    found = rank(PARTS, at, at - 0.0005, at + 0.0005)
    assert found.part is not None
    assert found.part.part.name == part.name
    assert found.part.marks == 1
    assert sum(c.weight for c in found.candidates) + found.none == pytest.approx(1, abs=0.02)


def test_a_stranger_is_none_of_them():
    found = rank(PARTS, 1.7, 1.6995, 1.7005)
    assert found.part is None
    assert "none of the listed parts" in found.why
    assert found.none > 0.9


def test_two_marks_on_a_turn_are_told_as_such():
    found = rank([p for p in PARTS if p.name == "far-sheave-wheel"], 1.885, 1.8845, 1.8855)
    assert (found.part.part.name, found.part.marks) == ("far-sheave-wheel", 2)


def test_parts_alike_are_not_told_apart():
    twins = [RotatingPart(name=n, station="capstan", circumference_m=2.5) for n in ("one", "two")]
    found = rank(twins, 2.5, 2.499, 2.501)
    assert found.part is None
    assert "none of them alone" in found.why


def test_a_part_of_a_drive_turns_by_seconds():
    screw = RotatingPart(name="screw", station="head", speed_stream="head/screw-speed", gear_ratio=2.0)
    assert turn(screw, "metres") is None
    assert turn(screw, "seconds", 30.0) == 1.0
    found = rank([screw], 1.0, 0.999, 1.001, "seconds", {"head/screw-speed": 30.0})
    assert found.part.part.name == "screw"
    assert "no part" in rank([screw], 1.0, 0.9, 1.1, "metres").why


def test_a_part_has_one_way_to_turn():
    for more in ({}, {"circumference_m": 1.0, "speed_stream": "head/screw-speed"}):
        with pytest.raises(ValueError, match="one of them"):
            RotatingPart(name="x", station="head", **more)


# ---- before --------------------------------------------------------------------------------------------------------


def journeys(seed: int, effect: float, lag: int = -12, faults: int = 25):
    rng = np.random.default_rng(seed)
    size = 6000
    columns = {f"s{i}": rng.normal(0, 1, size) for i in range(8)}
    columns["still"] = np.full(size, 5.0)
    columns["blind"] = np.full(size, np.nan)
    at = np.sort(rng.choice(np.arange(100, size - 100, 70), faults, replace=False))
    for f in at:
        columns["s3"][f + lag - 2 : f + lag + 3] += effect
    return columns, at.tolist()


def test_the_stream_that_differed_is_named_with_how_long_before():
    found = what_went_before(*journeys(1, 1.5))
    assert found[0].stream == "s3"
    assert found[0].chance <= 0.002
    assert abs(found[0].offset_m + 12) <= 2
    assert all(d.chance > 0.05 for d in found[1:])


def test_where_nothing_differed_nothing_is_named_at_the_stated_rate():
    named = sum(what_went_before(*journeys(seed, 0.0), draws=199)[0].chance <= 0.05 for seed in range(60))
    assert named <= 8


def test_a_cluster_in_a_long_slow_stretch_blames_no_stream_that_merely_lasted():
    """All faults lie together where the line ran slowly for a kilometre: that may be chance, and is said to be."""
    rng = np.random.default_rng(3)
    slow = np.where((np.arange(6000) > 2000) & (np.arange(6000) < 3000), 3.0, 0.0)
    columns = {"speed": rng.normal(0, 1, 6000) + slow, "other": rng.normal(0, 1, 6000)}
    found = what_went_before(columns, [2500, 2503, 2510, 2514, 2522, 2530])
    assert all(d.chance > 0.05 for d in found)


def test_too_few_faults_or_too_little_clean_cable_are_said():
    columns, at = journeys(1, 0)
    with pytest.raises(ValueError, match="at least 3"):
        what_went_before(columns, at[:2])
    with pytest.raises(ValueError, match="clean cable"):
        what_went_before({n: v[:400] for n, v in columns.items()}, list(range(60, 340, 50)))


# ---- rates ---------------------------------------------------------------------------------------------------------


def test_the_ratio_s_interval_is_the_binomial_s():
    """scipy's exact binomial interval, turned into a ratio of rates: 30 in 10 km, 8 in 10 km."""
    found = rate_change(30, 10_000, 8, 10_000)
    low, high = binomtest(8, 38).proportion_ci(0.95, "exact")
    assert found.ratio == pytest.approx(8 / 30)
    assert found.interval.low == pytest.approx(low / (1 - low))
    assert found.interval.high == pytest.approx(high / (1 - high))
    assert found.word == "it fell"
    assert rate_change(8, 10_000, 30, 10_000).word == "it rose"
    assert rate_change(8, 10_000, 9, 10_000).word == "no change is shown"
    assert math.isnan(rate_change(0, 1, 0, 1).ratio)
    with pytest.raises(ValueError, match="greater than 0"):
        rate_change(1, 0, 1, 1)


@given(st.integers(0, 60), st.integers(0, 60), st.floats(100, 1e5), st.floats(100, 1e5))
def test_before_and_after_change_places(a, b, x, y):
    one, other = rate_change(a, x, b, y), rate_change(b, y, a, x)
    assert one.chance == pytest.approx(other.chance, abs=1e-9)
    if a and b:
        assert one.ratio == pytest.approx(1 / other.ratio)


def test_where_a_rate_changed_is_found_with_its_interval():
    rng = np.random.default_rng(3)
    x = np.concatenate((rng.uniform(0, 6000, 60), rng.uniform(6000, 10_000, 4)))
    found = changed_at(x, 0, 10_000)
    assert found.low <= 6000 <= found.high or abs(found.at - 6000) < 300
    assert found.chance < 0.02
    assert found.before_per_km > 4 * found.after_per_km
    assert changed_at([1, 2, 3], 0, 10) is None
    assert changed_at(rng.uniform(0, 10_000, 40), 0, 10_000).chance > 0.02


def test_a_pareto_adds_up():
    bars = pareto(["a"] * 5 + ["b"] * 3 + ["c", "d"], most=2)
    assert [(b.name, b.count) for b in bars] == [("a", 5), ("b", 3), ("others", 2)]
    assert bars[-1].upto == 1.0
    assert pareto([]) == []
