"""The cure of 600 elements in a line, real-time factor, beside `scipy.integrate.solve_ivp`; errors beside both."""

import time
from collections.abc import Callable

import numpy as np
from scipy.integrate import solve_ivp

from monitor.analysis.what_if import PlannedStop, ask, ask_stop, calibrate, set_of
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.record import Floats
from monitor.core.cure.forecast import room
from monitor.core.cure.plan import Plan, cable_of, way_of
from monitor.physics.conduction import Wall
from monitor.physics.cure import Speed, cure, new_elements
from monitor.physics.heat_march import Media, march
from tests.core.script import configuration
from tests.physics import reference

ELEMENTS = 600
SECONDS = 120.0
NOISE_C = 0.3


def main() -> None:
    """Print the factor for a line at 230 m/min whose ovens are sampled twice a second, and the model's own error."""
    c = configuration()
    line, recipe = c.lines["core-1"], c.recipes["core-2g5"]
    for cases in (1, 3):
        spent = _march(line, recipe, cases)
        print(
            f"{ELEMENTS} elements, 12 nodes, {cases} case(s) of film: {SECONDS / spent:,.0f} times real time "
            f"({1e6 * spent / SECONDS / ELEMENTS:.2f} us per element and second)"
        )
    ours, theirs = _one(line, recipe), _stiff(line, recipe)
    print(f"one element from head to take-up: {1e3 * ours[0]:.2f} ms, index {ours[1]:.5f}")
    print(f"the same by solve_ivp, BDF, 12 nodes, rtol 1e-6: {1e3 * theirs[0]:.0f} ms, index {theirs[1]:.5f}; ", end="")
    print(f"{theirs[0] / ours[0]:,.0f} times as long")
    _errors()
    _questions(line, recipe)


def _march(line: Line, recipe: Recipe, cases: int) -> float:
    plan = Plan.of(line, recipe)
    assert plan is not None
    route = plan.route if cases == 3 else plan.nominal
    v = recipe.setpoints.speed_m_per_min / 60
    passes_s = route.edges_m[-1] / v
    entries = np.linspace(-passes_s, SECONDS, round(ELEMENTS * (SECONDS + passes_s) / passes_s))
    t = np.arange(-passes_s - 1, SECONDS + passes_s + 1, 0.5)
    rng = np.random.default_rng(1)
    zones = {z.temperature: recipe.setpoints.zone_C[z.name] for z in line.zone if z.temperature}
    knots = [(t, zones[s] + rng.normal(0, NOISE_C, len(t))) for s in plan.streams]
    media = Media.of([*knots, (np.zeros(1), np.array([plan.air_C]))])
    cross = entries[:, None] + route.edges_m[None, :] / v
    elements = new_elements(plan.cable, plan.wall, route, entries)
    march(elements.take(slice(0, 2)), cross[:2], route, media, plan.t90, plan.ageing)  # compiled
    begun = time.perf_counter()
    march(elements, cross, route, media, plan.t90, plan.ageing)
    whole = time.perf_counter() - begun
    return whole * SECONDS / (SECONDS + passes_s)


def _one(line: Line, recipe: Recipe) -> tuple[float, float]:
    plan = Plan.of(line, recipe)
    assert plan is not None
    way, speed = way_of(line, dict(recipe.setpoints.zone_C)), Speed((0.0,), (230 / 60,))
    begun = time.perf_counter()
    for _ in range(20):
        found = cure(plan.cable, way, speed, 0.0, plan.t90, plan.ageing)
    return (time.perf_counter() - begun) / 20, found.index_inner


def _stiff(line: Line, recipe: Recipe) -> tuple[float, float]:
    """The same element as an ordinary user of SciPy would solve it: a stiff solver, restarted at each edge."""
    plan = Plan.of(line, recipe)
    assert plan is not None
    way = way_of(line, dict(recipe.setpoints.zone_C))
    wall, edges = cable_of(recipe).wall(), way.edges_m()
    T = np.append(wall.start_C(plan.cable.core_C, plan.cable.wall_C), 0.0)
    begun = time.perf_counter()
    for a, b, i in zip(edges, edges[1:], way.zone_at((edges[1:] + edges[:-1]) / 2).tolist(), strict=False):
        film = way.zones[i].film_W_m2K if i >= 0 else way.air_film_W_m2K
        medium = way.zones[i].T_C[0] if i >= 0 else way.air_C
        change = _change(wall, film, medium, plan)
        T = solve_ivp(change, (a / (230 / 60), b / (230 / 60)), T, "BDF", rtol=1e-6, atol=1e-6).y[:, -1]
    return time.perf_counter() - begun, float(T[-1])


def _change(wall: Wall, film: float, medium_C: float, plan: Plan) -> Callable[[float, Floats], Floats]:
    K, C = wall.conductance_W_mK.copy(), wall.total_J_mK
    out = np.zeros(len(C))
    out[-1] = 2 * np.pi * wall.radius_m[-1] * film

    def change(_: float, y: Floats) -> Floats:
        T = y[:-1]
        return np.append((-K @ T - out * (T - medium_C)) / C, plan.t90.rate_1_s(T[0]))

    return change


def _errors() -> None:
    for nodes in (8, 12):
        worst = 0.0
        for case in reference.CASES.values():
            found = reference.solved(case, nodes=nodes)
            for key in ("cure_index_inner", "cure_index_outer", "degradation_index_outer"):
                expected = case["outputs"][key]
                worst = max(worst, abs(getattr(found, reference.NAMES[key]) / expected - 1))
        print(f"worst error of an index over all reference cases, {nodes} nodes: {100 * worst:.4f} %")


def _questions(line: Line, recipe: Recipe) -> None:
    plan, setting = Plan.of(line, recipe), set_of(recipe)
    assert plan is not None
    for what, ask_it in (
        ("headroom of speed and three ovens", lambda: room(line, plan, dict(setting.zone_C), setting.speed_m_s)),
        ("other settings, with profile, band and headroom", lambda: ask(line, recipe, setting)),
        ("a stop, metre by metre", lambda: ask_stop(line, recipe, setting, PlannedStop(8.0, 60.0, 12.0))),
        ("a calibration", lambda: calibrate(line, recipe, setting, 9.0, 130.0)),
    ):
        ask_it()
        begun = time.perf_counter()
        for _ in range(5):
            ask_it()
        print(f"{what}: {200 * (time.perf_counter() - begun):.1f} ms")
