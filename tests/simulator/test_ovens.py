"""An oven's air: held at its setpoint, within what its heater can do, and the same however it is asked for."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.ovens import HALL_C, INERTIA_S, RESERVE, STEP_S, Oven
from simulator.scenario import OvenTrouble

SETPOINT_C = 300.0


def oven(*troubles: OvenTrouble, repeat_s: float | None = None, seed: int = 1) -> Oven:
    return Oven(setpoint_C=SETPOINT_C, troubles=troubles, repeat_s=repeat_s, rng=np.random.default_rng(seed))


def trouble(kind: str, **more: float) -> OvenTrouble:
    return OvenTrouble.model_validate({"zone": "oven-a", "kind": kind, "at_s": 100.0, **more})


def test_it_holds_its_setpoint():
    air = oven().at(np.arange(0.0, 3600.0))
    assert air.mean() == pytest.approx(SETPOINT_C, abs=0.5)
    assert np.abs(air - SETPOINT_C).max() < 3


def test_a_tripped_heater_cools_as_a_first_order_body_does():
    """Newton's law of cooling: after t the rise over the hall is exp(-t / tau) of what it was."""
    air = oven(trouble("trip", for_s=300.0)).at(np.array([100.0, 280.0]))
    expected = HALL_C + (air[0] - HALL_C) * (1 - STEP_S / INERTIA_S) ** (180 / STEP_S)
    assert air[1] == pytest.approx(expected, abs=2.0)
    assert pytest.approx(np.exp(-180 / INERTIA_S), rel=0.01) == (1 - STEP_S / INERTIA_S) ** (180 / STEP_S)


def test_a_weak_heater_ends_at_what_it_can_hold():
    air = oven(trouble("sag", for_s=2000.0, to_C=265.0, over_s=10.0)).at(np.arange(1000.0, 2000.0))
    assert air.mean() == pytest.approx(265.0, abs=1.0)


def test_control_that_is_misled_holds_another_temperature():
    air = oven(trouble("drift", for_s=3000.0, by_C=12.0, over_s=60.0)).at(np.arange(1500.0, 3000.0))
    assert air.mean() == pytest.approx(SETPOINT_C + 12.0, abs=1.0)


def test_no_heater_gives_more_than_it_has():
    air = oven(trouble("setpoint", to_C=1000.0)).at(np.arange(0.0, 5000.0))
    assert air.max() <= HALL_C + RESERVE * (SETPOINT_C - HALL_C) + 3


@settings(max_examples=25)
@given(cuts=st.lists(st.floats(0, 400), max_size=6), seed=st.integers(0, 5))
def test_how_it_is_asked_for_does_not_show(cuts, seed):
    script = (trouble("sag", for_s=100.0, to_C=250.0),)
    times = np.arange(0.0, 400.0, 7.0)
    whole = oven(*script, seed=seed).at(times)
    parts = oven(*script, seed=seed)
    for upto in sorted(cuts):
        parts.at(np.array([upto]))
    assert np.array_equal(parts.at(times), whole)


def test_before_the_start_it_is_at_its_setpoint():
    assert oven().at(np.array([-5.0]))[0] == SETPOINT_C
