"""What went before a fault: found where it was planted, named at the stated rate where nothing was."""

import numpy as np
import pytest

from monitor.analysis.preceding import preceding_conditions
from monitor.contract.record import Floats


def journeys(seed: int, effect: float, lag: int = -12, faults: int = 25) -> tuple[dict[str, Floats], list[int]]:
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
    found = preceding_conditions(*journeys(1, 1.5))
    assert found[0].stream == "s3"
    assert found[0].chance <= 0.002
    assert abs(found[0].offset_m + 12) <= 2
    assert all(d.chance > 0.05 for d in found[1:])


def test_where_nothing_differed_nothing_is_named_at_the_stated_rate():
    named = sum(preceding_conditions(*journeys(seed, 0.0), draws=199)[0].chance <= 0.05 for seed in range(60))
    assert named <= 8


def test_a_cluster_in_a_long_slow_stretch_blames_no_stream_that_merely_lasted():
    """All faults lie together where the line ran slowly for a kilometre: that may be chance, and is said to be."""
    rng = np.random.default_rng(3)
    slow = np.where((np.arange(6000) > 2000) & (np.arange(6000) < 3000), 3.0, 0.0)
    columns = {"speed": rng.normal(0, 1, 6000) + slow, "other": rng.normal(0, 1, 6000)}
    found = preceding_conditions(columns, [2500, 2503, 2510, 2514, 2522, 2530])
    assert all(d.chance > 0.05 for d in found)


def test_too_few_faults_or_too_little_clean_cable_are_reported():
    columns, at = journeys(1, 0)
    with pytest.raises(ValueError, match="at least 3"):
        preceding_conditions(columns, at[:2])
    with pytest.raises(ValueError, match="clean cable"):
        preceding_conditions({n: v[:400] for n, v in columns.items()}, list(range(60, 340, 50)))
