"""The forecast of the cable now in the line: what is lost, what can be saved, and the speed that saves it in time."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.config.recipe import Recipe
from monitor.core.cure.forecast import (
    ACT_STEP_S,
    SLOWEST_OF_SET,
    SPEED_STEP_M_S,
    Forecast,
    Inside,
    foresee,
    media_from,
    room,
    slowest_m_s,
)
from monitor.core.cure.plan import Plan, cable_of, way_of
from monitor.physics.cure import Speed, cure, new_elements
from tests.core.script import configuration

C = configuration()
LINE, RECIPE = C.lines["core-1"], C.recipes["core-2g5"]
NOMINAL_C = {"shock-oven": 540.0, "oven-a": 290.0, "oven-b": 305.0, "cooling-trough": 25.0}
SET_M_S, SLOW_M_S = 230.0 / 60.0, 184.0 / 60.0
NOW_S = 1000.0


def a_plan() -> Plan:
    found = Plan.of(LINE, RECIPE)
    assert found is not None
    return found


PLAN = a_plan()
END_M = float(PLAN.route.edges_m[-1])


def entering(count: int = 1) -> Inside:
    """Cable that is at the head now."""
    at_head = np.zeros(count)
    crossed = np.full((count, len(PLAN.route.edges_m)), np.inf)
    crossed[:, 0] = NOW_S
    elements = new_elements(cable_of(RECIPE), PLAN.wall, PLAN.nominal, np.full(count, NOW_S))
    return Inside(
        t_s=NOW_S,
        metres=np.arange(float(count)),
        position_m=at_head,
        crossed_s=crossed,
        marched_m=at_head,
        elements=elements,
    )


def knots(**zone_C: float) -> list[tuple[np.ndarray, np.ndarray]]:
    """Ovens at their nominal temperatures but for these."""
    by_stream = {stream: (NOMINAL_C | zone_C)[zone] for zone, stream in PLAN.zone_of.items()}
    return [(np.array([NOW_S - 100.0]), np.array([by_stream[s]])) for s in PLAN.streams]


def forecast(
    oven_b: float = 305.0, speed: float = SET_M_S, slowest: float = SLOW_M_S, standing: bool = False
) -> Forecast:
    return foresee(PLAN, entering(), knots(**{"oven-b": oven_b}), speed, slowest, standing)


def model(speed_m_s: float, oven_b: float) -> float:
    """The cure index of a steady line, by one call of the physics."""
    way = way_of(LINE, NOMINAL_C | {"oven-b": oven_b})
    return cure(cable_of(RECIPE), way, Speed((0.0,), (speed_m_s,)), 0.0, PLAN.t90, PLAN.ageing).index_inner


def test_cable_that_enters_now_comes_to_what_the_model_says_of_a_steady_line():
    found = forecast()
    assert found.index == pytest.approx([model(SET_M_S, 305.0)], rel=2e-3)
    assert [flags.any() for flags in (found.lost, found.at_risk, found.overheated)] == [False] * 3
    assert (found.save_m_s, found.act_by_s) == (None, None)


def test_what_can_be_saved_is_at_risk_and_the_speed_that_saves_is_the_highest():
    found = forecast(oven_b=265.0, speed=245.0 / 60.0)
    assert found.at_risk.all()
    assert not found.lost.any()
    assert found.save_m_s is not None
    assert SLOW_M_S <= found.save_m_s < found.speed_m_s
    least = PLAN.limits.index_min
    assert model(found.save_m_s, 265.0) >= least * (1 - 2e-3)
    assert model(found.save_m_s + 2 * SPEED_STEP_M_S, 265.0) < least * (1 + 2e-3)


def test_the_slowest_speed_saves_if_it_is_taken_by_then_and_not_much_later():
    found = forecast(oven_b=265.0, speed=245.0 / 60.0)
    assert found.act_by_s is not None
    wait_s = found.act_by_s - NOW_S
    assert 0.0 < wait_s < END_M / found.speed_m_s
    indices = []
    for first_s in (wait_s, wait_s + 2 * ACT_STEP_S):
        speed = Speed((0.0, first_s, first_s + 1e-3), (found.speed_m_s, found.speed_m_s, SLOW_M_S))
        way = way_of(LINE, NOMINAL_C | {"oven-b": 265.0})
        indices.append(cure(cable_of(RECIPE), way, speed, 0.0, PLAN.t90, PLAN.ageing).index_inner)
    least = PLAN.limits.index_min
    assert indices[0] >= least * (1 - 2e-3)
    assert indices[1] < least * (1 + 2e-3)


def test_a_line_that_stands_has_to_act_at_once():
    assert forecast(oven_b=265.0, speed=245.0 / 60.0, standing=True).act_by_s == NOW_S


def test_what_not_even_the_slowest_speed_saves_is_lost():
    found = forecast(oven_b=100.0)
    assert found.lost.all()
    assert not found.at_risk.any()
    assert (found.save_m_s, found.act_by_s) == (None, None)
    assert forecast(oven_b=265.0, speed=245.0 / 60.0, slowest=245.0 / 60.0).lost.all()  # no slower speed is allowed


def test_what_was_too_hot_or_has_degraded_is_overheated_whatever_is_ahead():
    inside = entering(3)
    inside.elements.peak_C[1] = PLAN.limits.surface_max_C + 0.1
    inside.elements.degradation[2] = PLAN.limits.degradation_max * 1.01
    found = foresee(PLAN, inside, knots(), SET_M_S, SLOW_M_S, False)
    assert found.overheated.tolist() == [False, True, True]
    assert found.metres.tolist() == [0.0, 1.0, 2.0]


@given(
    positions=st.lists(st.floats(0.0, END_M), min_size=1, max_size=6), speed=st.floats(0.5, 6.0),
    first=st.just(0.0) | st.floats(0.1, 6.0), first_s=st.floats(0.0, 60.0),
    edge=st.integers(0, len(PLAN.route.edges_m) - 1),
)  # fmt: skip
def test_edges_ahead_are_met_by_distance_over_speed_and_those_behind_were_met(positions, speed, first, first_s, edge):
    x = np.array(positions)
    crossed = np.full((len(x), len(PLAN.route.edges_m)), NOW_S - 5.0)
    inside = Inside(
        t_s=NOW_S, metres=x, position_m=x, crossed_s=crossed, marched_m=x, elements=entering(len(x)).elements
    )
    met_s = inside.cross_s(PLAN.route.edges_m, speed, first, first_s)[:, edge]
    for at_m, t_s in zip(x, met_s, strict=True):
        ahead_m = float(PLAN.route.edges_m[edge]) - at_m
        if ahead_m <= 0:
            assert t_s == NOW_S - 5.0
            continue
        in_first_s = min(first_s, t_s - NOW_S)
        assert first * in_first_s + speed * (t_s - NOW_S - in_first_s) == pytest.approx(ahead_m, abs=1e-6)


def test_ovens_stay_as_they_are_and_one_without_data_is_open_air():
    times = np.array([0.0, 10.0, 20.0, 30.0])
    media = media_from(PLAN, [(times, times + 100.0), (np.array([99.0]), np.array([7.0]))], 25.0, 12.0)
    parts = [slice(a, b) for a, b in zip(media.first[:-1], media.first[1:], strict=True)]
    assert [media.t_s[p].tolist() for p in parts] == [[10.0, 20.0], [25.0], [25.0]]
    assert [media.T_C[p].tolist() for p in parts] == [[110.0, 120.0], [PLAN.air_C], [PLAN.air_C]]


def test_the_slowest_speed_is_the_lower_limit_of_the_speed_in_its_own_unit_or_a_share_of_the_set_speed():
    window = next(w for w in RECIPE.window if w.stream == LINE.counter.speed)
    lowest = min(at for at in (window.lolo, window.lo) if at is not None)
    assert slowest_m_s(LINE, RECIPE) == pytest.approx(lowest / 60.0)

    def limited(**limits: float | str | None) -> Recipe:
        windows = [window.model_copy(update=limits) if w is window else w for w in RECIPE.window]
        return RECIPE.model_copy(update={"window": windows})

    assert slowest_m_s(LINE, limited(lolo=3.0, lo=3.5, unit="m/s")) == pytest.approx(3.0)
    assert slowest_m_s(LINE, limited(lolo=None, lo=None)) == pytest.approx(SLOWEST_OF_SET * 230.0 / 60.0)
    stands = LINE.model_copy(update={"stopped_below_m_per_min": 60.0})
    assert slowest_m_s(stands, limited(lolo=30.0)) == pytest.approx(1.0)  # slower than that it stands


def test_headroom_is_that_of_the_model():
    """The greatest speed that still cures is where the model's index meets its limit."""
    margins = room(LINE, PLAN, NOMINAL_C, SET_M_S)
    faster = margins.faster
    assert model(SET_M_S + faster.room, 305.0) == pytest.approx(PLAN.limits.index_min, rel=5e-3)
    assert set(margins.colder) == {"shock-oven", "oven-a", "oven-b"}


def test_a_cut_of_the_cable_changes_no_metres_forecast():
    """Metres are forecast side by side and know nothing of each other."""
    inside = entering(4)
    inside.elements.inner[0, 2] = 0.5
    whole = foresee(PLAN, inside, knots(), SET_M_S, SLOW_M_S, False)
    which = np.array([False, False, True, False])
    one = replace(
        inside, metres=inside.metres[which], position_m=inside.position_m[which], crossed_s=inside.crossed_s[which],
        marched_m=inside.marched_m[which], elements=inside.elements.take(which),
    )  # fmt: skip
    assert foresee(PLAN, one, knots(), SET_M_S, SLOW_M_S, False).index == pytest.approx(whole.index[which])
    assert whole.index[2] == pytest.approx(whole.index[0] + 0.5, rel=1e-6)
