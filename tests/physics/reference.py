"""The reference cases as calls of the model: `cure-cases.json`, made by finite volumes and a stiff solver of SciPy."""

import json
from pathlib import Path
from typing import Any

import numpy as np

from monitor.physics.conduction import Wall
from monitor.physics.cure import Cable, Cured, PathZone, Speed, Way, cure
from monitor.physics.kinetics import Rate

SOURCE = Path(__file__).parents[1] / "data" / "sources" / "cure-cases.json"
_ALL = json.loads(SOURCE.read_text())
CASES: dict[str, dict[str, Any]] = {c["id"]: c for c in _ALL["cases"]}
INVERSE: dict[str, dict[str, Any]] = {c["id"]: c for c in _ALL["inverse_cases"]}


def cable(c: dict[str, Any]) -> Cable:
    """The case's element."""
    g, p, i = c["geometry"], c["properties"], c["initial"]
    return Cable(
        inner_m=g["core_radius_m"],
        outer_m=g["outer_radius_m"],
        core_kg_m3=p["core_rho"],
        core_J_kgK=p["core_cp"],
        wall_kg_m3=p["ins_rho"],
        wall_J_kgK=p["ins_cp"],
        wall_W_mK=p["ins_k"],
        core_C=i["T_core_C"],
        wall_C=i["T_ins_C"],
    )


def zone(z: dict[str, Any]) -> PathZone:
    """One zone, with a constant temperature or a profile."""
    knots = z.get("T_profile", [[0.0, z.get("T_C")]])
    t_s, T_C = zip(*knots, strict=True)
    return PathZone(
        start_m=z["start_m"], end_m=z["end_m"], film_W_m2K=z["h_W_m2K"], T_C=tuple(T_C), t_s=tuple(t_s), name=z["name"]
    )


def way(c: dict[str, Any]) -> Way:
    """The case's path."""
    return Way(tuple(zone(z) for z in c["zones"]), c["ambient"]["h_W_m2K"], c["ambient"]["T_C"], c["exit_m"])


def rates(c: dict[str, Any]) -> tuple[Rate, Rate]:
    """Cure and degradation."""
    k, d = c["kinetics"], c["degradation"]
    return Rate(k["t90_ref_s"], k["T_ref_C"], k["Ea_J_mol"]), Rate(d["t_ref_s"], d["T_ref_C"], d["Ea_J_mol"])


def speed(c: dict[str, Any]) -> Speed:
    """The case's speed over time."""
    t_s, v = zip(*c["speed_profile"], strict=True)
    return Speed(tuple(t_s), tuple(v))


def solved(c: dict[str, Any], **more: Any) -> Cured:
    """The case by our model."""
    return cure(cable(c), way(c), speed(c), c["entry_time_s"], *rates(c), **more)


NAMES = {
    "T_inner_exit_C": "inner_C",
    "T_outer_exit_C": "outer_C",
    "T_wall_mean_exit_C": "mean_C",
    "T_surface_peak_C": "peak_C",
    "cure_index_inner": "index_inner",
    "cure_index_outer": "index_outer",
    "degradation_index_outer": "degradation",
    "exit_time_s": "exit_s",
}


def volumes(
    inner_m: float, outer_m: float, conductivity_W_mK: float, heat_J_m3K: float, core_J_mK: float, nodes: int
) -> Wall:
    """A wall by another method: vertex-centred finite volumes with exact log conductances, crowded at both faces."""
    x = np.linspace(0, 1, nodes)
    x = x / 2 + (1 - np.cos(np.pi * x)) / 4
    r = inner_m + (outer_m - inner_m) * x
    edge = np.concatenate(([inner_m], (r[1:] + r[:-1]) / 2, [outer_m]))
    G = 2 * np.pi * conductivity_W_mK / np.log(r[1:] / r[:-1])
    K = np.diag(np.append(G, 0) + np.append(0, G)) - np.diag(G, 1) - np.diag(G, -1)
    return Wall(r, np.pi * heat_J_m3K * np.diff(edge**2), K, core_J_mK)
