"""One element from head to take-up, held to reference cases by another method and to laws."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from monitor.physics.cure import Speed, Way, Zone, born, cure, cure_each, cure_steady, profile
from monitor.physics.kinetics import Rate
from monitor.physics.march import Elements, march
from monitor.physics.margins import STEP_S, CureLimits, Steady, highest_speed_m_s, margins
from tests.physics import reference as ref

# Acceptance of the model's definition: 0.5 % of each, 1 % of the degradation index.
WITHIN = dict.fromkeys(ref.NAMES, 0.005) | {"degradation_index_outer": 0.01}


@pytest.mark.parametrize("name", ref.CASES)
@pytest.mark.parametrize("step", [{}, {"grid_s": 2.0}, {"nodes": 8}], ids=["12 nodes", "long steps", "8 nodes"])
def test_reference_cases(name, step):
    """Finite volumes, Richardson, BDF at 1e-8: cure-cases.json. We are nearer than asked by a factor of 50."""
    case = ref.CASES[name]
    ours = ref.solved(case, **step)
    for key, expected in case["outputs"].items():
        assert getattr(ours, ref.NAMES[key]) == pytest.approx(expected, rel=WITHIN[key] / (50 if not step else 5)), key


@pytest.mark.parametrize("name", ref.INVERSE)
def test_reference_speeds(name):
    case = ref.INVERSE[name]
    steady = Steady.of(ref.cable(case), ref.way(case), *ref.rates(case))
    speed = highest_speed_m_s(steady, case["cure_index_limit"])
    assert speed is not None
    assert speed * 60 == pytest.approx(case["max_speed_m_per_min"], rel=1e-4)


def test_single_zone_by_laplace_inversion():
    """Closed form, 5 s in one zone: inner 111.3262, outer 234.3249 degC (numerical inversion of the transform)."""
    ours = ref.solved(ref.CASES["single_zone_5s"])
    assert ours.inner_C == pytest.approx(111.3262, abs=2e-3)
    assert ours.outer_C == pytest.approx(234.3249, abs=2e-3)


# ---- laws ---------------------------------------------------------------------------------------------------------

NOMINAL = ref.CASES["steady_2.5_230"]
CABLE, WAY, RATES = ref.cable(NOMINAL), ref.way(NOMINAL), ref.rates(NOMINAL)


def test_faster_is_less_cured_and_less_hot():
    each = cure_steady(CABLE, WAY, np.linspace(2, 6, 9), *RATES)
    for slow, fast in itertools.pairwise(each):
        assert slow.index_inner > fast.index_inner
        assert slow.index_outer > fast.index_outer
        assert slow.peak_C > fast.peak_C


@settings(max_examples=25, deadline=None)
@given(st.floats(1.0, 60.0), st.sampled_from(["shock-oven", "oven-a", "oven-b"]))
def test_hotter_is_more_cured(more_K, name):
    steady = Steady.of(CABLE, WAY, *RATES)
    assert steady.at(4.0, {name: more_K}).index_inner > steady.at(4.0).index_inner


def test_when_the_clock_began_does_not_matter():
    later = cure(CABLE, WAY, Speed((0.0,), (4.0,)), 1_000_000.0, *RATES)
    first = cure(CABLE, WAY, Speed((0.0,), (4.0,)), 0.0, *RATES)
    assert later.index_inner == pytest.approx(first.index_inner, rel=1e-6)
    assert later.peak_C == pytest.approx(first.peak_C, abs=1e-6)


def test_no_metre_is_hotter_than_what_it_met():
    seen = profile(CABLE, WAY, Speed((0.0,), (4.0,)), 0.0, *RATES)
    assert seen.trace.surface_C.max() < 540
    assert min(seen.trace.inner_C.min(), seen.trace.surface_C.min()) >= 25 - 1e-9
    assert (np.diff(seen.trace.index_inner) >= 0).all()
    assert seen.position_m[-1] == pytest.approx(122.0)


def test_near_the_speed_limit_nearly_half_of_the_cure_comes_after_the_ovens():
    """A lesson of the model's authors: an integral that ends at the last oven misses it."""
    seen = profile(CABLE, WAY, Speed((0.0,), (4.17,)), 0.0, *RATES, (80.0,))
    at_the_end = float(np.interp(80.0, seen.position_m, seen.trace.index_inner))
    assert 0.4 < 1 - at_the_end / seen.trace.index_inner[-1] < 0.75


def test_a_film_off_by_fifteen_percent_moves_the_index_by_far_and_the_surface_by_little():
    """A lesson of the model's authors: a factor of about 1.6 either way, against about 11 K."""

    def off(factor: float) -> Way:
        zones = tuple(Zone(z.start_m, z.end_m, z.film_W_m2K * factor, z.T_C) for z in WAY.zones[:5])
        return Way((*zones, WAY.zones[5]), WAY.air_film_W_m2K, WAY.air_C, WAY.exit_m)

    low, plain, high = (Steady.of(CABLE, off(f), *RATES).at(230 / 60) for f in (0.85, 1.0, 1.15))
    assert 1.4 < high.index_inner / plain.index_inner < 2.2
    assert 1.4 < plain.index_inner / low.index_inner < 2.2
    assert 6 < high.peak_C - plain.peak_C < 16


@settings(max_examples=30, deadline=None)
@given(st.floats(0.01, 3.0), st.floats(0.0, 2e9))
def test_any_grid_comes_to_its_end_with_the_same_result(grid_s, entry_s):
    """A grid of 0.1 s is no binary number: its steps must go on all the same."""
    found = cure(CABLE, WAY, Speed((0.0,), (4.0,)), entry_s, *RATES, grid_s=grid_s)
    assert found.index_inner == pytest.approx(
        cure(CABLE, WAY, Speed((0.0,), (4.0,)), 0.0, *RATES).index_inner, rel=1e-3
    )


def test_each_of_many_is_as_it_is_alone():
    speed = Speed((0.0, 10, 20, 40, 55), (4.0, 4.0, 0.0, 0.0, 4.0))
    entries = [-5.0, 0.0, 3.0, 12.0, 45.0]
    many = cure_each(CABLE, WAY, speed, entries, *RATES)
    assert many == [cure(CABLE, WAY, speed, e, *RATES) for e in entries]


def test_a_line_that_stands_for_ever_is_said_so():
    with pytest.raises(ValueError, match="give a restart"):
        cure(CABLE, WAY, Speed((0.0, 5.0), (4.0, 0.0)), 0.0, *RATES)


@given(st.lists(st.tuples(st.floats(0.1, 20), st.floats(0, 8)), min_size=1, max_size=6), st.floats(-30, 30))
def test_when_and_where_are_each_others_inverse(knots, entry_s):
    t = np.cumsum([k[0] for k in knots])
    speed = Speed((0.0, *t), (4.0, *(k[1] for k in knots[:-1]), 3.0))
    distance = np.linspace(0, 120, 25)
    when = speed.when(entry_s, distance)
    assert speed.distance_m(entry_s, when) == pytest.approx(distance, abs=1e-6)
    assert (np.diff(when) >= 0).all()


# ---- the march ----------------------------------------------------------------------------------------------------


def started() -> tuple[Elements, np.ndarray, object, object]:
    case = ref.CASES["oven_b_profile_240"]
    wall = ref.cable(case).wall()
    route = ref.way(case).route(wall)
    entries = np.array([0.0, 0.3, 7.7])
    cross = np.stack([ref.speed(case).when(e, route.edges_m) for e in entries])
    return born(ref.cable(case), wall, route, entries), cross, route, ref.way(case).media()


def same(one: Elements, other: Elements) -> bool:
    return all(
        np.array_equal(getattr(one, n), getattr(other, n), equal_nan=True) for n in Elements.__dataclass_fields__
    )


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(0.0, 45.0), max_size=8))
def test_a_march_may_stop_anywhere_and_go_on_to_the_same_bits(stops):
    """The block law of the curing stage rests on this."""
    rates = ref.rates(ref.CASES["oven_b_profile_240"])
    whole, cross, route, media = started()
    march(whole, cross, route, media, *rates)
    parts, *_ = started()
    for upto_s in [*sorted(stops), np.inf]:
        known = np.where(cross <= upto_s, cross, np.inf)
        until = replace(media, reach_s=np.full(len(media.held_s), upto_s))
        march(parts, known, route, until, *rates)
    assert same(parts, whole)


def test_a_medium_that_is_silent_for_too_long_leaves_the_element_unseen():
    element, cross, route, media = started()
    knots = type(media).of([(np.array([0.0, 40.0]), np.array([300.0, 300.0]))] * len(media.held_s))
    held = replace(knots, held_s=np.full(len(media.held_s), 5.0))
    march(element, cross, route, held, *RATES)
    assert not element.seen.any()
    fresh, *_ = started()
    march(fresh, cross, route, knots, *RATES)
    assert fresh.seen.all()


# ---- margins ------------------------------------------------------------------------------------------------------


def test_at_the_end_of_its_room_the_line_is_at_its_limit():
    steady = Steady.of(CABLE, WAY, *RATES)
    limits = CureLimits(1.0, 280.0, 0.002)
    room = margins(steady, 230 / 60, limits, ["shock-oven", "oven-a", "oven-b"])
    assert room.faster.room is not None
    assert steady.at(230 / 60 + room.faster.room).index_inner == pytest.approx(1.0, rel=2e-3)
    for name, margin in room.colder.items():
        assert margin.room is not None
        assert steady.at(230 / 60, {name: -margin.room}).index_inner == pytest.approx(1.0, rel=5e-3)
    assert room.slower.room is not None
    at_the_end = steady.at(230 / 60 - room.slower.room)
    assert max(at_the_end.peak_C / 280, at_the_end.degradation / 0.002) == pytest.approx(1.0, rel=0.01)


def test_beyond_a_limit_the_room_is_negative():
    steady = Steady.of(CABLE, WAY, *RATES)
    room = margins(steady, 270 / 60, CureLimits(1.0), ["oven-b"])
    assert room.faster.room is not None
    assert room.faster.room * 60 == pytest.approx(250.55 - 270, abs=0.1)
    assert room.colder["oven-b"].room is not None
    assert room.colder["oven-b"].room < 0
    assert room.slower.room is None


def test_the_long_steps_of_margins_cost_nothing():
    """What the module says of STEP_S."""
    steady = Steady.of(CABLE, WAY, *RATES)
    exact = cure(CABLE, WAY, Speed((0.0,), (4.0,)), 0.0, *RATES)
    assert STEP_S == 2.0
    assert steady.at(4.0).index_inner == pytest.approx(exact.index_inner, rel=1e-3)


def test_speed_of_the_inverse_case_by_another_root_finder():
    case = ref.INVERSE["inverse_nominal"]
    rates = ref.rates(case)
    f = lambda v: cure(ref.cable(case), ref.way(case), Speed((0.0,), (v,)), 0.0, *rates).index_inner - 1.0  # noqa: E731
    assert brentq(f, 3.0, 6.0) * 60 == pytest.approx(case["max_speed_m_per_min"], rel=1e-4)
    assert isinstance(rates[0], Rate)
