"""What is marched, from configuration: which columns, which pieces of path with which films, and where it ends."""

import numpy as np
import pytest

from monitor.core.cure.plan import (
    COLUMNS,
    COOLING,
    Plan,
    cable_of,
    columns_of,
    film_of,
    limits_of,
    longest_held_s,
    way_of,
    zones_on_path,
)
from tests.core.script import configuration

C = configuration()
LINE, RECIPE = C.lines["core-1"], C.recipes["core-2g5"]
COLD_LINE = C.lines["sheath-1"]
COLD = C.recipes["cable-2x2g5"]


def test_a_recipe_is_marched_for_what_it_judges_and_has_the_material_for():
    assert columns_of(RECIPE) == COLUMNS
    assert columns_of(COLD) == COOLING
    assert columns_of(RECIPE.model_copy(update={"material": None})) == ()
    assert columns_of(RECIPE.model_copy(update={"cure": None, "cooling": None})) == ()


def test_without_a_material_the_cable_is_refused_by_the_recipes_name():
    with pytest.raises(ValueError, match=RECIPE.recipe):
        cable_of(RECIPE.model_copy(update={"material": None}))
    cable = cable_of(RECIPE)
    assert cable.inner_m == pytest.approx(RECIPE.geometry.inside_mm / 2000)  # a radius, in m
    assert cable.outer_m - cable.inner_m == pytest.approx(RECIPE.geometry.wall_mm / 1000)


def test_a_film_has_its_uncertainty_added_or_taken_off_and_a_zone_without_one_has_that_of_the_air():
    zone = next(z for z in LINE.zone if z.film_coefficient_W_m2K is not None)
    assert film_of(LINE, zone) == zone.film_coefficient_W_m2K
    up, down = film_of(LINE, zone, 1.0), film_of(LINE, zone, -1.0)
    assert up / film_of(LINE, zone) - 1 == pytest.approx(zone.film_uncertainty_percent / 100)
    assert up + down == pytest.approx(2 * film_of(LINE, zone))
    bare = zone.model_copy(update={"film_coefficient_W_m2K": None})
    for sign in (-1.0, 0.0, 1.0):
        assert film_of(LINE, bare, sign) == film_of(LINE, None, sign)


def test_zones_between_head_and_take_up_come_in_the_order_of_the_path():
    line = LINE.model_copy(update={"zone": list(reversed(LINE.zone))})
    starts = [z.start_m for z in zones_on_path(line)]
    assert starts == sorted(starts)
    before = LINE.zone[0].model_copy(update={"start_m": -3.0, "end_m": -1.0})
    beyond = LINE.zone[0].model_copy(update={"start_m": LINE.take_up_m, "end_m": LINE.take_up_m + 1.0})
    assert zones_on_path(LINE.model_copy(update={"zone": [before, *LINE.zone, beyond]})) == zones_on_path(LINE)


def test_a_zone_that_no_temperature_is_given_for_is_as_warm_as_the_air():
    way = way_of(LINE, {"oven-a": 290.0})
    assert {z.name: z.T_C for z in way.zones}["oven-a"] == (290.0,)
    assert {z.T_C for z in way.zones if z.name != "oven-a"} == {(LINE.open_air.temperature_C,)}
    assert (way.exit_m, way.air_C) == (LINE.take_up_m, LINE.open_air.temperature_C)


def test_each_piece_has_the_medium_and_the_films_of_its_place_in_three_cases():
    plan = Plan.of(LINE, RECIPE)
    assert plan is not None
    edges = plan.route.edges_m
    kinds = np.unique([film_of(LINE, z, s) for z in (None, *zones_on_path(LINE)) for s in (0, -1, 1)])
    for i, middle in enumerate((edges[1:] + edges[:-1]) / 2):
        zone = next((z for z in LINE.zone if z.start_m <= middle < z.end_m), None)
        stream = plan.streams.index(zone.temperature) if zone and zone.temperature else len(plan.streams)
        assert plan.route.medium[i] == stream
        films = [kinds[plan.route.films[case, i]] for case in range(3)]
        assert films == pytest.approx([film_of(LINE, zone, sign) for sign in (0, -1, 1)])
    assert plan.nominal.films.tolist() == plan.route.films[:1].tolist()
    assert (edges[0], edges[-1]) == (0.0, LINE.take_up_m)


def test_the_sheave_ends_a_piece_so_that_the_cure_there_is_known():
    plan = Plan.of(LINE, RECIPE)
    assert plan is not None
    assert RECIPE.cure is not None
    assert RECIPE.cure.sheave is not None
    assert plan.sheave_piece is not None
    assert plan.route.edges_m[plan.sheave_piece + 1] == LINE.stations[RECIPE.cure.sheave].middle_m
    bare = RECIPE.model_copy(update={"cure": RECIPE.cure.model_copy(update={"sheave": None})})
    without = Plan.of(LINE, bare)
    assert without is not None
    assert without.sheave_piece is None


def test_a_wall_that_only_cools_is_marched_to_where_it_is_first_pressed():
    plan = Plan.of(COLD_LINE, COLD)
    assert plan is not None
    assert COLD.cooling is not None
    assert plan.route.edges_m[-1] == COLD_LINE.stations[COLD.cooling.station].position_m
    assert plan.columns == COOLING
    assert plan.sheave_piece is None
    assert not np.isfinite(plan.limits.surface_max_C)


def test_limits_are_the_recipes_and_samples_hold_as_long_as_their_streams_say():
    plan = Plan.of(LINE, RECIPE)
    assert plan is not None
    assert plan.limits == limits_of(RECIPE)
    assert RECIPE.cure is not None
    assert plan.limits.index_min == RECIPE.cure.index_min
    assert plan.held_s.tolist() == [*(LINE.streams[s].held_s for s in plan.streams), np.inf]
    assert plan.needed.tolist() == [*(LINE.streams[s].required for s in plan.streams), False]
    assert longest_held_s(LINE) == max(plan.held_s[:-1])


@pytest.mark.parametrize(("line", "recipe"), [("core-1", None), ("rewind-1", "core-2g5"), ("core-1", "reel-2x2g5")])
def test_where_nothing_is_marched_there_is_no_plan(line, recipe):
    """No recipe in force, a line without zones, a recipe with nothing to march for."""
    assert Plan.of(C.lines[line], C.recipes[recipe] if recipe else None) is None


def test_a_line_without_ovens_waits_for_none():
    assert longest_held_s(C.lines["rewind-1"]) == 0.0
