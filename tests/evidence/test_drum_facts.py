"""Facts of a drum from its rows and findings."""

from decimal import Decimal
from typing import Any

import numpy as np
import pytest

from monitor.contract.config.recipe import EventCheck, Exposure
from monitor.contract.record import Finding, FindingKind
from monitor.evidence.drum_facts import fault_rates, required_exposure, spark_exposure_s, wall_from_outside
from tests.core.script import configuration, finding, in_m_per_s

C = configuration()
LINE, RECIPE = C.lines["core-1"], C.recipes["core-2g5"]


def spark(metre: float) -> Finding:
    check = RECIPE.event_check[0]
    return finding(metre - 0.5, metre + 0.5, FindingKind.FAULT, stream=check.stream, check=check.name)


def test_rate_is_that_of_the_events_of_the_recipe_with_the_interval_of_garwood():
    """Exact Poisson interval of 5: 1.6235 to 11.6683 (Garwood 1936), here on 2 km."""
    (rate,) = fault_rates([spark(10.0 * i) for i in range(5)], RECIPE, 2000.0)
    assert (rate.count, rate.per_km) == (5, 2.5)
    assert rate.interval_per_km.low == pytest.approx(1.6235 / 2, abs=1e-4)
    assert rate.interval_per_km.high == pytest.approx(11.6683 / 2, abs=1e-4)
    assert fault_rates([], RECIPE, 0.0) == []


def test_wall_is_half_of_what_the_diameter_is_over_the_conductor_and_rounds_up_at_five():
    """IEC 60227-2:2003, 1.9: hundredths first, then tenths, 5 going up."""
    rows = {"cold-gauge/diameter-x": np.array([3.48, np.nan]), "cold-gauge/diameter-y": np.array([3.48, 3.48])}
    wall = wall_from_outside(rows, RECIPE)
    assert wall is not None
    assert (wall.mean_mm, wall.needed_mm) == (Decimal("0.9"), 0.90)  # 0.85 rounds to 0.9
    assert wall_from_outside({"cold-gauge/diameter-x": np.array([np.nan])}, RECIPE) is None


def test_wall_is_the_same_with_the_diameter_in_m():
    """A13."""
    gauges = [w for w in RECIPE.window if w.stream.startswith("cold-gauge/diameter")]
    in_m = RECIPE.model_copy(update={"window": [w.model_copy(update={"unit": "m"}) for w in gauges]})
    wall = wall_from_outside({"cold-gauge/diameter-x": np.array([3.48e-3])}, in_m)
    assert wall is not None
    assert wall.mean_mm == Decimal("0.9")


def test_exposure_is_the_same_with_the_speed_in_m_per_s():
    """A13. At 230 m/min each point of the cable is 0.5 m long under the electrode."""
    per_s = in_m_per_s(C).lines["core-1"]
    found = spark_exposure_s({"metre-counter/speed": np.array([230.0]) / 60.0}, per_s, "spark-electrode")
    assert found == pytest.approx(0.5 / (230.0 / 60.0))
    assert found == pytest.approx(0.130, abs=5e-4)


def test_exposure_at_standstill_and_in_reverse_has_no_end():
    """A13. A speed of 0 is a speed; cable that is pulled back stays under the electrode."""
    for speed in (0.0, -3.0):
        assert spark_exposure_s({"metre-counter/speed": np.array([speed])}, LINE, "spark-electrode") == float("inf")


def test_exposure_is_that_of_the_fastest_metre():
    assert spark_exposure_s({"metre-counter/speed": np.array([150.0, 240.0])}, LINE, "spark-electrode") == 0.5 / 4.0
    assert spark_exposure_s({}, LINE, "spark-electrode") is None
    assert spark_exposure_s({"metre-counter/speed": np.array([240.0])}, LINE, "capstan") is None


def check_by(**exposure: Any) -> EventCheck:
    (check,) = [c for c in RECIPE.event_check if c.name == "spark-fault"]
    return check.model_copy(update={"exposure": Exposure(**exposure) if exposure else None})


def test_the_rule_of_the_recipe_asks_for_a_time_and_allows_a_speed():
    """F7. An electrode of 0.5 m: 0.05 s up to 600 m/min, 9 cycles of 50 Hz up to 166.7 m/min."""
    by_time = required_exposure(check_by(rule="IEC 62230"), LINE)
    assert (by_time.rule, by_time.needed_s, by_time.fastest_m_per_s * 60) == ("IEC 62230", 0.05, pytest.approx(600))
    by_cycles = required_exposure(check_by(rule="UL 2556", frequency_Hz=50), LINE)
    assert by_cycles.needed_s == pytest.approx(0.18)
    assert by_cycles.fastest_m_per_s * 60 == pytest.approx(166.7, abs=0.05)
    assert required_exposure(check_by(), LINE) is None


def test_a_rule_that_counts_cycles_needs_a_frequency():
    with pytest.raises(ValueError, match="give frequency_Hz"):
        Exposure(rule="UL 2556")
