"""What the engineer asks: held to the reference cases, to each other, and to the model called the other way round."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.analysis.what_if import Model, PlannedStop, Setting, against_speed, ask, ask_stop, calibrate, ovens, set_of
from tests.core.script import configuration
from tests.physics import reference

C = configuration()
LINE, RECIPE = C.lines["core-1"], C.recipes["core-2g5"]
SET = set_of(RECIPE)


def test_the_demo_line_at_its_set_values_is_the_reference_case():
    """The demo's layout and recipe are those of steady_2.5_230 in cure-cases.json."""
    expected = reference.CASES["steady_2.5_230"]["outputs"]
    found = ask(LINE, RECIPE, SET)
    for key, name in reference.NAMES.items():
        assert getattr(found.leaves, name) == pytest.approx(expected[key], rel=1e-4), key
    assert found.margins is not None
    assert found.margins.faster.room is not None
    assert 230 + found.margins.faster.room * 60 == pytest.approx(
        reference.INVERSE["inverse_nominal"]["max_speed_m_per_min"], rel=1e-4
    )


def test_the_band_holds_the_index_and_is_wide():
    found = ask(LINE, RECIPE, SET)
    assert found.index_low < found.leaves.index_inner < found.index_high
    assert found.index_high / found.index_low > 2


def test_a_profile_begins_at_the_head_and_ends_at_the_take_up():
    seen = ask(LINE, RECIPE, SET).profile
    assert seen.position_m[0] == 0
    assert seen.position_m[-1] == pytest.approx(122)
    assert seen.trace.index_inner[-1] == pytest.approx(ask(LINE, RECIPE, SET).leaves.index_inner, rel=1e-6)


def test_index_falls_with_speed():
    found = [c.index_inner for c in against_speed(LINE, RECIPE, SET, np.arange(200.0, 260.0, 10.0))]
    assert found == sorted(found, reverse=True)


@pytest.mark.parametrize("speed", [0.0, -3.0, float("nan")])
def test_a_line_that_does_not_move_is_refused(speed):
    with pytest.raises(ValueError, match="above 0 m/min"):
        ask(LINE, RECIPE, Setting(speed, SET.zone_C))


def test_a_recipe_without_cure_is_refused_with_the_remedy():
    plain = RECIPE.model_copy(update={"cure": None})
    with pytest.raises(ValueError, match=r"add it to compute"):
        Model.of(LINE, plain, SET)


def test_a_stop_leaves_both_scraps_where_they_belong():
    """Overheated in the ovens, undercured in the unheated span between the passes, sound near the take-up."""
    stopped = ask_stop(LINE, RECIPE, SET, PlannedStop(8.0, 60.0, 12.0))
    span = (stopped.position_m > 40) & (stopped.position_m < 50)
    oven = np.zeros(len(span), dtype=bool)
    for z in LINE.zone:
        if z.name in ovens(LINE):
            oven |= (stopped.position_m > z.start_m) & (stopped.position_m < z.end_m)
    assert stopped.undercured[span].all()
    assert not stopped.undercured[~span].any()
    assert stopped.overheated[oven].all()
    assert not stopped.overheated[~oven].any()


def test_no_stop_is_the_steady_line():
    stopped = ask_stop(LINE, RECIPE, SET, PlannedStop(0.001, 0.0, 0.001))
    assert stopped.index == pytest.approx(ask(LINE, RECIPE, SET).leaves.index_inner, rel=1e-3)


@settings(max_examples=15, deadline=None)
@given(st.floats(0.7, 1.4), st.sampled_from([5.0, 9.0, 45.0, 85.0]))
def test_calibration_finds_the_films_that_made_the_reading(factor, position_m):
    true = Setting(SET.speed_m_per_min, SET.zone_C, factor)
    seen = Model.of(LINE, RECIPE, true).profile(SET.speed_m_s, (position_m,))
    reading = float(np.interp(position_m, seen.position_m, seen.trace.surface_C))
    found = calibrate(LINE, RECIPE, SET, position_m, reading)
    assert found.factor == pytest.approx(factor, rel=1e-3)
    assert found.index_after == pytest.approx(ask(LINE, RECIPE, true).leaves.index_inner, rel=5e-3)


def test_a_reading_no_film_can_give_is_refused_with_what_to_look_at():
    with pytest.raises(ValueError, match="look at emissivity"):
        calibrate(LINE, RECIPE, SET, 9.0, 600.0)
    with pytest.raises(ValueError, match="between head and take-up"):
        calibrate(LINE, RECIPE, SET, 400.0, 100.0)


def test_the_water_of_the_trough_is_no_oven():
    assert ovens(LINE) == ("shock-oven", "oven-a", "oven-b")
    assert not [name for name in calibrate(LINE, RECIPE, SET, 9.0, 130.0).films_W_m2K if "trough" in name]
