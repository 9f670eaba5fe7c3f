"""True cure of the metres of a run, by an independent solver over the true zone temperatures."""

from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from monitor.contract.config.line import Line, Zone
from monitor.contract.config.recipe import Recipe
from monitor.contract.record import Floats
from simulator import heat
from simulator.line import LineRun

SIDE_BY_SIDE = 256
FINEST_M = 1.0


def cure(run: LineRun, metres: Floats) -> heat.CuredElements:
    """Heat and cure of the cable at line metres that have reached the take-up.

    Raises ValueError for a recipe without material or cure, or metres that have not come so far.
    """
    recipe = run.recipe
    if recipe.material is None or recipe.cure is None:
        raise ValueError(f"recipe {recipe.recipe} has no material or no cure; add both tables")
    edges_m, pieces = _path(run)
    edges_s = np.stack([run.travel.when(metres - run.line.counter_m + p) for p in edges_m], axis=1)
    if not (edges_s <= run.truth.until_s).all():
        raise ValueError(f"some of these metres have not reached the take-up at {run.truth.until_s:.0f} s")
    start_C = (recipe.material.conductor_entry_C, recipe.material.compound_entry_C)
    parts = [
        heat.solve(
            wall_of(recipe), pieces, edges_s[i : i + SIDE_BY_SIDE], start_C, recipe.cure.t90, recipe.cure.degradation
        )
        for i in range(0, len(metres), SIDE_BY_SIDE)
    ]
    names = heat.CuredElements.__dataclass_fields__
    return heat.CuredElements(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


def every(run: LineRun, step_m: float) -> Floats:
    """Line metres a step apart of the cable that has left the head and reached the take-up in the run."""
    first = run.script.line_metre_start_m + run.line.counter_m
    last = float(run.travel.metres(np.array(run.truth.until_s))) + run.line.counter_m - run.line.take_up_m
    return np.arange(np.ceil(first), last, step_m)


def write(run: LineRun, folder: Path, most: int = 20_000) -> None:
    """Write `LINE-cure.parquet`: every metre, or fewer of a long run; none where it is shorter than the line."""
    metres = every(run, FINEST_M)
    metres = metres[:: -(-len(metres) // most) or 1]
    if run.recipe.material is None or run.recipe.cure is None or not len(metres):
        return
    cured = cure(run, metres)
    columns = {"metre": metres} | {name: getattr(cured, name) for name in heat.CuredElements.__dataclass_fields__}
    folder.mkdir(parents=True, exist_ok=True)
    pq.write_table(pa.table(columns), folder / f"{run.line.line}-cure.parquet")


def wall_of(recipe: Recipe) -> heat.HeatedWall:
    """The recipe's element."""
    g, m = recipe.geometry, recipe.material
    assert m is not None
    return heat.HeatedWall(
        core_radius_m=g.inside_mm / 2e3,
        outer_radius_m=g.outer_diameter_mm / 2e3,
        core_rho=m.conductor_density_kg_m3,
        core_cp=m.conductor_heat_J_kgK,
        wall_rho=m.compound_density_kg_m3,
        wall_cp=m.compound_heat_J_kgK,
        wall_k=m.compound_conductivity_W_mK,
    )


def _path(run: LineRun) -> tuple[list[float], list[heat.PathPiece]]:
    """Path from head to take-up in pieces: zones, and open air between them."""
    line = run.line
    inner = {e for z in line.zone for e in (z.start_m, z.end_m) if 0.0 < e < line.take_up_m}
    edges_m = sorted({0.0, line.take_up_m} | inner)
    return edges_m, [_piece(run, _zone_at(line, (a + b) / 2)) for a, b in pairwise(edges_m)]


def _zone_at(line: Line, p: float) -> Zone | None:
    return next((z for z in line.zone if z.start_m <= p < z.end_m), None)


def _piece(run: LineRun, zone: Zone | None) -> heat.PathPiece:
    open_air = run.line.open_air
    if zone is None:
        return heat.PathPiece(open_air.film_coefficient_W_m2K, partial(np.full_like, fill_value=open_air.temperature_C))
    film = zone.film_coefficient_W_m2K or open_air.film_coefficient_W_m2K
    gauge = run.gauges.get(zone.temperature) if zone.temperature else None
    if gauge is None:
        return heat.PathPiece(film, partial(np.full_like, fill_value=open_air.temperature_C))
    return heat.PathPiece(film, gauge.truth)
