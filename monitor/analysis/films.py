"""Estimates of film coefficients, by correlation, for zones without a measured coefficient."""

from collections.abc import Iterator
from dataclasses import dataclass

from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.units import convert
from monitor.physics.convection import Estimate, in_air


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmGuess:
    """A zone of hot air by one recipe's setpoints; `configured_W_m2K` is None where the line's file gives none."""

    line: str
    zone: str
    recipe: str
    speed_m_per_min: float
    air_C: float
    configured_W_m2K: float | None
    estimate: Estimate


def film_guesses(configuration: Configuration) -> list[FilmGuess]:
    """An estimate for each zone of air that a recipe with cure or cooling gives a temperature."""
    return [
        guess
        for line in configuration.lines.values()
        for recipe in configuration.recipes_for(line.line).values()
        if recipe.cure or recipe.cooling
        for guess in _of_line(line, recipe)
    ]


def _of_line(line: Line, recipe: Recipe) -> Iterator[FilmGuess]:
    points, material = recipe.setpoints, recipe.material
    if material is None:
        return
    speed_m_s = convert(points.speed_m_per_min, "m/min", "m/s")
    for name, air_C in points.zone_C.items():
        films = [z.film_coefficient_W_m2K for z in line.zone if z.name == name and z.medium == "air"]  # by pass
        if not films:
            continue
        surface_C = (air_C + material.compound_entry_C) / 2  # on the way from one to the other
        estimate = in_air(recipe.geometry.outer_diameter_mm / 1e3, speed_m_s, air_C, surface_C)
        configured = None if None in films else films[0]
        yield FilmGuess(
            line=line.line,
            zone=name,
            recipe=recipe.recipe,
            speed_m_per_min=points.speed_m_per_min,
            air_C=air_C,
            configured_W_m2K=configured,
            estimate=estimate,
        )
