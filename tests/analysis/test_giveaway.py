"""Giveaway: identities of geometry, and the wall rules as recalled in `monitor.physics.wall`."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.analysis.giveaway import compound_kg_per_km, giveaway, needed_diameter, ring_area_mm2
from tests.core.script import configuration

RECIPE = configuration().recipes["core-1g5"]


def test_a_kilometre_of_ring_weighs_its_area_times_its_density():
    """1.38 mm under 0.8 mm of 1180 kg/m3, by hand: pi * 0.8 * (1.38 + 0.8) mm2 = 5.479 mm2, 6.465 kg/km."""
    assert ring_area_mm2(1.38, 2.98) == pytest.approx(math.pi * 0.8 * 2.18)
    assert compound_kg_per_km(1.38, 2.98, 1180) == pytest.approx(6.465, abs=5e-4)


def test_a_true_process_may_go_to_the_specified_mean_and_a_wide_one_may_not():
    """0.8 mm specified: allowed at any place 0.9 x 0.8 - 0.1 = 0.62 mm (recalled rule)."""
    true = needed_diameter(1.38, 0.8, 0.005, 0.02)
    assert (true.outer_mm, true.by) == (pytest.approx(2.98), "mean wall")
    wide = needed_diameter(1.38, 0.8, 0.05, 0.12)
    assert wide.by == "thinnest place"
    assert wide.outer_mm == pytest.approx(1.38 + 2 * (0.62 + 0.12) + 4 * 0.05)


@given(st.floats(0, 0.2), st.floats(0, 0.2), st.floats(0.4, 2.0))
def test_the_thinnest_place_is_allowed_at_the_needed_diameter(sigma, eccentric, wall):
    need = needed_diameter(1.38, wall, sigma, eccentric)
    thinnest = (need.outer_mm - 4 * sigma - 1.38) / 2 - eccentric
    assert thinnest >= 0.9 * wall - 0.1 - 1e-9
    assert need.outer_mm >= 1.38 + 2 * wall - 1e-9


def test_what_is_given_away_costs_money_and_nothing_is_given_at_the_needed():
    at = np.full(1000, 2.98)
    assert giveaway(RECIPE, at, 2.98, None, None).given_kg_per_km == pytest.approx(0)
    more = giveaway(RECIPE, np.full(1000, 3.04), 2.98, 9.5, 4000)
    assert more.given_kg_per_km == pytest.approx(compound_kg_per_km(1.38, 3.04, 1180) - 6.465, abs=5e-4)
    assert more.per_year == pytest.approx(more.given_kg_per_km * 9.5 * 4000)


def test_a_diameter_that_varies_takes_more_than_its_mean():
    wobble = np.array([2.88, 3.08] * 500)
    assert giveaway(RECIPE, wobble, 2.98, None, None).given_kg_per_km == pytest.approx(
        math.pi / 4 * 0.1**2 * 1180 / 1000
    )


def test_without_densities_it_says_so():
    with pytest.raises(ValueError, match="material"):
        giveaway(RECIPE.model_copy(update={"material": None}), np.ones(3), 1.0, None, None)
