"""The simulator's own heat solver against the reference cases of the cure model and against closed forms."""

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.contract.config.recipe import Arrhenius
from simulator import heat
from simulator.scenario import LineScript, SpeedStep
from simulator.travel import Travel, travel

# Reference: finite volumes with Richardson extrapolation, BDF at rtol 1e-8; `single_zone_5s` by Laplace inversion.
SOURCE = Path(__file__).parents[1] / "data" / "sources" / "cure-cases.json"
CASES = {case["id"]: case for case in json.loads(SOURCE.read_text())["cases"]}


def profile(points: list[list[float]], t: np.ndarray) -> np.ndarray:
    return np.interp(t, [p[0] for p in points], [p[1] for p in points])


def moved(points: list[list[float]]) -> Travel:
    """The case's movement: speeds between knots, and even before and after."""
    steps = [SpeedStep(at_s=a[0], over_s=b[0] - a[0], to_m_per_min=b[1] * 60) for a, b in pairwise(points)]
    script = LineScript(
        line="x", recipe="y", start_m_per_min=points[0][1] * 60, line_metre_start_m=0.0, drum_prefix="",
        drum_length_m=[1.0], speed=tuple(steps),
    )  # fmt: skip
    return travel(script, None, 1.0)


def kinetics(case: dict[str, Any], key: str) -> Arrhenius:
    k = case[key]
    time_s = k.get("t90_ref_s", k.get("t_ref_s"))
    return Arrhenius(time_s=time_s, reference_C=k["T_ref_C"], activation_energy_J_mol=k["Ea_J_mol"])


def solved(case: dict[str, Any], step_s: float = heat.STEP_S) -> tuple[heat.CuredElements, float]:
    g, p = case["geometry"], case["properties"]
    wall = heat.HeatedWall(
        core_radius_m=g["core_radius_m"],
        outer_radius_m=g["outer_radius_m"],
        core_rho=p["core_rho"],
        core_cp=p["core_cp"],
        wall_rho=p["ins_rho"],
        wall_cp=p["ins_cp"],
        wall_k=p["ins_k"],
    )
    inner = {e for z in case["zones"] for e in (z["start_m"], z["end_m"]) if 0 < e < case["exit_m"]}
    edges_m = sorted({0.0, case["exit_m"]} | inner)
    pieces = [piece_at(case, (a + b) / 2) for a, b in pairwise(edges_m)]
    way = moved(case["speed_profile"])
    edges_s = way.when(way.metres(np.array(case["entry_time_s"])) + np.array(edges_m))[None, :]
    start_C = (case["initial"]["T_core_C"], case["initial"]["T_ins_C"])
    cured = heat.solve(
        wall, pieces, edges_s, start_C, kinetics(case, "kinetics"), kinetics(case, "degradation"), step_s
    )
    return cured, float(edges_s[0, -1])


def piece_at(case: dict[str, Any], p: float) -> heat.PathPiece:
    zone = next((z for z in case["zones"] if z["start_m"] <= p < z["end_m"]), case["ambient"])
    points = zone.get("T_profile") or [[0.0, zone["T_C"]]]
    return heat.PathPiece(zone["h_W_m2K"], lambda t: profile(points, t))


@pytest.mark.parametrize("name", CASES)
def test_cure_cases(name: str) -> None:
    case = CASES[name]
    cured, exit_s = solved(case)
    want = case["outputs"]
    assert exit_s == pytest.approx(want["exit_time_s"], rel=1e-6)
    assert cured.inner_C[0] == pytest.approx(want["T_inner_exit_C"], abs=0.02)
    assert cured.outer_C[0] == pytest.approx(want["T_outer_exit_C"], abs=0.02)
    assert cured.mean_C[0] == pytest.approx(want["T_wall_mean_exit_C"], abs=0.02)
    assert cured.peak_C[0] == pytest.approx(want["T_surface_peak_C"], abs=0.05)
    assert cured.index_inner[0] == pytest.approx(want["cure_index_inner"], rel=1e-3)
    assert cured.index_outer[0] == pytest.approx(want["cure_index_outer"], rel=1e-3)
    assert cured.degradation[0] == pytest.approx(want["degradation_index_outer"], rel=2e-3)


def test_no_heat_is_made_or_lost_without_a_film() -> None:
    """With no film the element's heat content stays: conductor and wall meet at their mean by heat capacity."""
    wall = heat.HeatedWall(
        core_radius_m=0.9e-3,
        outer_radius_m=1.8e-3,
        core_rho=8930.0,
        core_cp=390.0,
        wall_rho=1180.0,
        wall_cp=1300.0,
        wall_k=0.25,
    )
    slow = Arrhenius(time_s=1.0, reference_C=100.0, activation_energy_J_mol=1e5)
    piece = heat.PathPiece(1e-9, lambda t: np.full_like(t, 500.0))
    cured = heat.solve(wall, [piece], np.array([[0.0, 60.0]]), (20.0, 120.0), slow, slow)
    core, rest = 8930 * 390 * 0.9**2, 1180 * 1300 * (1.8**2 - 0.9**2)
    even = (20 * core + 120 * rest) / (core + rest)
    assert [cured.inner_C[0], cured.outer_C[0], cured.mean_C[0]] == pytest.approx([even] * 3, abs=0.05)
