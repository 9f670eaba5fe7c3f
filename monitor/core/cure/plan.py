"""Plan of the cure computation: configuration as types of the physics, and the columns it fills."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.contract.config.line import Line
from monitor.contract.config.line import Zone as LineZone
from monitor.contract.config.recipe import Arrhenius, Recipe
from monitor.contract.record import Floats
from monitor.physics.conduction import Wall
from monitor.physics.cure import Cable, PathZone, Way
from monitor.physics.heat_march import Route
from monitor.physics.kinetics import Rate
from monitor.physics.margins import CureLimits

INNER, LOW, HIGH, OUTER, SHEAVE, PEAK, DEGRADED = COLUMNS = (
    "cure/index-inner",
    "cure/index-low",
    "cure/index-high",
    "cure/index-outer",
    "cure/index-sheave",
    "cure/surface-peak",
    "cure/degradation",
)

COLD_INSIDE, COLD_SURFACE = COOLING = ("cooling/inside", "cooling/surface")
NEVER, NO_LIMITS = Rate(1e12, 25.0, 1.0), CureLimits(0.0, np.inf, np.inf)  # of what does not cure


def columns_of(recipe: Recipe) -> tuple[str, ...]:
    """Results for each metre of this recipe's cable; empty without a material, or with nothing to judge."""
    if recipe.material is None:
        return ()
    return COLUMNS if recipe.cure else COOLING if recipe.cooling else ()


def rate_of(a: Arrhenius) -> Rate:
    """An Arrhenius time of a recipe."""
    return Rate(a.time_s, a.reference_C, a.activation_energy_J_mol)


def cable_of(recipe: Recipe) -> Cable:
    """The recipe's element; ValueError where it has no material."""
    g, m = recipe.geometry, recipe.material
    if m is None:
        raise ValueError(f"recipe {recipe.recipe} has no [material]: add it to compute its cure")
    return Cable(
        inner_m=g.inside_mm / 2e3,
        outer_m=g.outer_diameter_mm / 2e3,
        core_kg_m3=m.conductor_density_kg_m3,
        core_J_kgK=m.conductor_heat_J_kgK,
        wall_kg_m3=m.compound_density_kg_m3,
        wall_J_kgK=m.compound_heat_J_kgK,
        wall_W_mK=m.compound_conductivity_W_mK,
        core_C=m.conductor_entry_C,
        wall_C=m.compound_entry_C,
    )


def limits_of(recipe: Recipe) -> CureLimits:
    """The recipe's limits of cure."""
    assert recipe.cure is not None
    return CureLimits(recipe.cure.index_min, recipe.cure.surface_max_C, recipe.cure.degradation_max)


def film_of(line: Line, zone: LineZone | None, sign: float = 0.0) -> float:
    """Film coefficient [W/m2K] of a zone or the open air, with its uncertainty added `sign` times."""
    if zone is None or zone.film_coefficient_W_m2K is None:
        film, percent = line.open_air.film_coefficient_W_m2K, line.open_air.film_uncertainty_percent
    else:
        film, percent = zone.film_coefficient_W_m2K, zone.film_uncertainty_percent
    return film * (1 + sign * percent / 100)


def way_of(line: Line, zone_C: dict[str, float], sign: float = 0.0) -> Way:
    """The line's path at constant temperatures by name of zone; a zone not named is as warm as the air."""
    air_C = line.open_air.temperature_C
    zones = tuple(
        PathZone(
            start_m=z.start_m,
            end_m=z.end_m,
            film_W_m2K=film_of(line, z, sign),
            T_C=(zone_C.get(z.name, air_C),),
            name=z.name,
        )
        for z in zones_on_path(line)
    )
    return Way(zones, film_of(line, None, sign), air_C, line.take_up_m)


def zones_on_path(line: Line) -> list[LineZone]:
    """Zones between the head and the take-up, in the order of the path."""
    return sorted((z for z in line.zone if 0 <= z.start_m < line.take_up_m), key=lambda z: z.start_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One recipe on one line, ready to march: three cases of film coefficients (nominal, low, high) side by side.

    A wall that cures is marched to the take-up; one that only cools to the station where it is first pressed.

    `streams` are the media in the order of the route, the last medium is the open air. `held_s` (m,) is how long one
    sample speaks; `needed` (m,) is false where a silent medium leaves the metre seen.
    """

    recipe: Recipe
    cable: Cable
    wall: Wall
    route: Route
    t90: Rate
    ageing: Rate
    limits: CureLimits
    streams: tuple[str, ...]
    zone_of: dict[str, str]
    held_s: Floats
    needed: NDArray[np.bool_]
    air_C: float
    sheave_piece: int | None

    @property
    def columns(self) -> tuple[str, ...]:
        """What is reported of each metre."""
        return columns_of(self.recipe)

    @property
    def nominal(self) -> Route:
        """The route with the nominal case alone."""
        return replace(self.route, films=self.route.films[:1])

    @classmethod
    def of(cls, line: Line, recipe: Recipe | None) -> "Plan | None":
        """None where the line has no zones or the recipe needs no computation."""
        zones = zones_on_path(line)
        if recipe is None or not columns_of(recipe) or not zones:
            return None
        cable, cure = cable_of(recipe), recipe.cure
        wall = cable.wall()
        sheave = line.stations.get(cure.sheave) if cure and cure.sheave else None
        also = [sheave.middle_m] if sheave else []
        way = way_of(line, {})
        if cure is None and recipe.cooling:
            way = replace(way, exit_m=line.stations[recipe.cooling.station].position_m)
        edges = way.edges_m(also)
        streams = tuple(dict.fromkeys(z.temperature for z in zones if z.temperature))
        places = way.zone_at((edges[1:] + edges[:-1]) / 2)
        media = {i: streams.index(z.temperature) for i, z in enumerate(zones) if z.temperature}
        medium = np.array([media.get(i, len(streams)) for i in places.tolist()], dtype=np.int64)
        films = np.array(
            [[film_of(line, zones[i] if i >= 0 else None, s) for i in places.tolist()] for s in (0, -1, 1)]
        )
        held = np.array([*(line.streams[s].held_s for s in streams), np.inf])
        needed = np.array([*(line.streams[s].required for s in streams), False])
        return cls(
            recipe=recipe,
            cable=cable,
            wall=wall,
            route=Route.of(wall, edges, films, medium),
            t90=rate_of(cure.t90) if cure else NEVER,
            ageing=rate_of(cure.degradation) if cure else NEVER,
            limits=limits_of(recipe) if cure else NO_LIMITS,
            streams=streams,
            zone_of={z.name: z.temperature for z in zones if z.temperature},
            held_s=held,
            needed=needed,
            air_C=line.open_air.temperature_C,
            sheave_piece=int(np.searchsorted(edges, also[0])) - 1 if also else None,
        )


def longest_held_s(line: Line) -> float:
    """How long after a moment it is certain what each oven was like at it, beyond the time it takes to settle."""
    paths = {z.temperature for z in zones_on_path(line) if z.temperature}
    return max((line.streams[p].held_s for p in paths), default=0.0)
