"""One element from head to take-up, held to reference cases by another method and to laws."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.physics.cure import PathZone, Speed, Way, cure, cure_each, profile
from monitor.physics.margins import Steady
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


def test_single_zone_by_laplace_inversion():
    """Closed form, 5 s in one zone: inner 111.3262, outer 234.3249 degC (numerical inversion of the transform)."""
    ours = ref.solved(ref.CASES["single_zone_5s"])
    assert ours.inner_C == pytest.approx(111.3262, abs=2e-3)
    assert ours.outer_C == pytest.approx(234.3249, abs=2e-3)


NOMINAL = ref.CASES["steady_2.5_230"]
CABLE, WAY, RATES = ref.cable(NOMINAL), ref.way(NOMINAL), ref.rates(NOMINAL)


def test_faster_is_less_cured_and_less_hot():
    each = [cure(CABLE, WAY, Speed((0.0,), (v,)), 0.0, *RATES) for v in np.linspace(2, 6, 9)]
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
        zones = tuple(
            PathZone(start_m=z.start_m, end_m=z.end_m, film_W_m2K=z.film_W_m2K * factor, T_C=z.T_C)
            for z in WAY.zones[:5]
        )
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


def test_a_line_that_stands_for_ever_is_reported_so():
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
