"""Compound giveaway: wall beyond what is needed, in kg per km and money per year, and the setting to aim at."""

import math
from dataclasses import dataclass

from monitor.contract.config.recipe import Recipe
from monitor.contract.record import Floats
from monitor.physics.wall import thinnest_allowed_mm


def ring_area_mm2(inner_mm: float, outer_mm: float) -> float:
    """Cross-section between two diameters."""
    return math.pi / 4 * (outer_mm**2 - inner_mm**2)


def compound_kg_per_km(conductor_mm: float, outer_mm: float, density_kg_m3: float) -> float:
    """Compound on a kilometre of core; mm2 times kg/m3 over 1000 is kg/km."""
    return ring_area_mm2(conductor_mm, outer_mm) * density_kg_m3 / 1000


@dataclass(frozen=True, slots=True)
class Needed:
    """Least mean diameter [mm] by each rule, and the larger of them, which decides. `by` names it."""

    by_mean_mm: float
    by_thinnest_mm: float
    outer_mm: float
    by: str


def needed_diameter(
    conductor_mm: float, wall_mm: float, sigma_mm: float, eccentric_mm: float, sigmas: float = 4.0
) -> Needed:
    """The mean outer diameter at which the wall still passes, given how the diameter varies.

    Rules (`monitor.physics.wall`): the mean wall is at least the specified; no place is under what is allowed. The
    mean diameter must hold the first; the thinnest place is half the diameter's growth less the eccentricity, and
    stays allowed up to `sigmas` standard deviations of the diameter below its mean.
    """
    if sigma_mm < 0 or eccentric_mm < 0:
        raise ValueError(f"expected a spread and an eccentricity of at least 0 mm, got {sigma_mm} and {eccentric_mm}")
    by_mean = conductor_mm + 2 * wall_mm
    allowed = float(thinnest_allowed_mm(wall_mm, "insulation"))
    by_thinnest = conductor_mm + 2 * (allowed + eccentric_mm) + sigmas * sigma_mm
    by = "mean wall" if by_mean >= by_thinnest else "thinnest place"
    return Needed(by_mean, by_thinnest, max(by_mean, by_thinnest), by)


@dataclass(frozen=True, slots=True)
class Giveaway:
    """Compound used beyond the required, kg/km; money a year where cost and yearly length are known."""

    used_kg_per_km: float
    needed_kg_per_km: float
    per_year: float | None

    @property
    def given_kg_per_km(self) -> float:
        return self.used_kg_per_km - self.needed_kg_per_km


def giveaway(
    recipe: Recipe, outer_mm: Floats, needed_mm: float, cost_per_kg: float | None, km_per_year: float | None
) -> Giveaway:
    """From each metre's diameter [mm] (n,); compound follows the mean of the square, not the square of the mean."""
    if recipe.material is None:
        raise ValueError(f"recipe {recipe.recipe} gives no densities: add its [material]")
    inner, density = recipe.geometry.inside_mm, recipe.material.compound_density_kg_m3
    root_mean_square = math.sqrt(float((outer_mm**2).mean()))
    used = compound_kg_per_km(inner, root_mean_square, density)
    needed = compound_kg_per_km(inner, needed_mm, density)
    known = cost_per_kg is not None and km_per_year is not None
    return Giveaway(used, needed, (used - needed) * cost_per_kg * km_per_year if known else None)  # type: ignore[operator]
