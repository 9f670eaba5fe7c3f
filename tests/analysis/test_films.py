"""Film coefficients by correlation are offered with range and source, for zones that have none (F7)."""

import pytest

from monitor.analysis.films import film_guesses
from monitor.commands.check import FIRST_GUESS, films
from monitor.contract.config.configuration import Configuration
from tests.core.script import configuration


def without_film(zone: str) -> Configuration:
    """The demo's works with a zone of core-1 whose film coefficient nobody measured."""
    c = configuration()
    line = c.lines["core-1"]
    zones = [z.model_copy(update={"film_coefficient_W_m2K": None}) if z.name == zone else z for z in line.zone]
    return c.model_copy(update={"lines": c.lines | {"core-1": line.model_copy(update={"zone": zones})}})


def test_each_oven_has_a_guess_by_the_recipe_s_setpoints():
    found = {(g.zone, g.recipe): g for g in film_guesses(configuration()) if g.line == "core-1"}
    assert {zone for zone, _ in found} == {"shock-oven", "oven-a", "oven-b"}
    guess = found["oven-a", "core-2g5"]
    assert (guess.speed_m_per_min, guess.air_C, guess.configured_W_m2K) == (230.0, 290.0, 85.0)
    assert 30 < guess.estimate.film_W_m2K < 85, "still air; the oven's own wind makes the rest"
    assert "Kase and Matsuo" in guess.estimate.source
    assert "is outside 0.5..50" in guess.estimate.outside


def test_nothing_is_reported_while_every_zone_has_a_coefficient_of_its_own():
    assert films(configuration(), every=False) == []
    assert len(films(configuration(), every=True)) > 3


@pytest.mark.parametrize("zone", ["oven-a", "oven-b"])
def test_a_zone_without_one_is_named_with_the_estimate_its_range_and_source(zone):
    *notes, last = films(without_film(zone), every=False)
    assert last == FIRST_GUESS
    assert notes
    for line in notes:
        assert line.startswith(f"core-1, {zone}, core-")
        assert "none of its own, estimated" in line
        assert "W/m2K with radiation (along a moving wire, Kase and Matsuo 1965, Re 0.5 to 50: Re" in line


def test_water_has_no_guess():
    assert "cooling-trough" not in {g.zone for g in film_guesses(configuration())}
