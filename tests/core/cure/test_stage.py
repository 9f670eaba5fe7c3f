"""The curing stage: every metre by its own way, unverified where an oven is silent, reported before it is lost."""

import json
from dataclasses import replace

import numpy as np
import pytest

from monitor.contract.record import Finding, Floats, Output, Priority, Verdict
from monitor.core.cure.forecast import slowest_m_s
from monitor.core.cure.plan import COLUMNS, INNER, PEAK, Plan, cable_of, way_of
from monitor.core.cure.stage import FORECAST_ALARM
from monitor.core.cure.stage import status_json as cure_status
from monitor.core.pipeline import Pipeline
from monitor.physics.cure import Cured, Speed, cure
from tests.core.script import T0, Script, configuration, decoded, pipeline
from tests.core.test_pipeline import closed, core_line, raised, record

C = configuration()
LINE, RECIPE = C.lines["core-1"], C.recipes["core-2g5"]
PLAN = Plan.of(LINE, RECIPE)
assert PLAN is not None
NOMINAL_C = {"shock-oven": 540.0, "oven-a": 290.0, "oven-b": 305.0, "cooling-trough": 25.0}


def nominal(speed_m_per_min: float = 230.0, zone_C: dict[str, float] = NOMINAL_C, sign: float = 0.0) -> Cured:
    """The model called once for a steady element."""
    way = way_of(LINE, zone_C, sign)
    return cure(cable_of(RECIPE), way, Speed((0.0,), (speed_m_per_min / 60,)), 0.0, PLAN.t90, PLAN.ageing)


Fed = tuple[Pipeline, list[Output], dict[str, Floats]]


def fed(script: Script) -> Fed:
    engine = pipeline()
    out = engine.feed(decoded(script.sorted()))
    _, rows = record(out)
    return engine, out, rows


def quiet_ovens(script: Script) -> Script:
    """The same script with ovens at their set values to the digit."""
    for i, a in enumerate(script.arrivals):
        station, quantity = a.topic.split("/")[2:]
        if quantity == "temperature":
            body = json.loads(a.payload)
            body["v"] = [NOMINAL_C[station]] * len(body["v"])
            script.arrivals[i] = type(a)(a.topic, json.dumps(body).encode(), a.received_s)
    return script


@pytest.fixture(scope="module")
def steady() -> Fed:
    return fed(quiet_ovens(core_line(200)))


def test_a_steady_line_gives_each_metre_what_the_model_says(steady):
    """Rows against one call of the model, to 0.01 %, with the band by the configured uncertainty."""
    _, _, rows = steady
    seen = ~np.isnan(rows[INNER])
    assert seen.sum() > 500
    expected = nominal()
    for column, value in (
        (INNER, expected.index_inner), (PEAK, expected.peak_C), ("cure/index-outer", expected.index_outer),
        ("cure/degradation", expected.degradation), ("cure/index-low", nominal(sign=-1.0).index_inner),
        ("cure/index-high", nominal(sign=1.0).index_inner),
    ):  # fmt: skip
        assert rows[column][seen] == pytest.approx(value, rel=1e-4), column


def test_the_surface_at_the_first_sheave_is_known_apart(steady):
    _, _, rows = steady
    seen = ~np.isnan(rows[INNER])
    assert (rows["cure/index-sheave"][seen] < rows["cure/index-outer"][seen] / 5).all()
    assert (rows["cure/index-sheave"][seen] > 0.3).all()


def test_headroom_and_forecast_of_a_steady_line_are_reported(steady):
    engine, _, _ = steady
    now = cure_status(engine.curing)
    assert now["lost"] == now["at_risk"] == now["overheated"] == []
    assert now["save"] is None
    assert 19 < now["headroom"]["faster"]["room"] < 22  # 250.55 m/min is the reference speed at an index of 1
    assert now["headroom"]["colder"]["oven-b"]["limit"] == "undercured"
    cable = now["cable"]
    assert len(cable["metre"]) == pytest.approx(122, abs=2)
    assert cable["expected"] == pytest.approx([nominal().index_inner] * len(cable["metre"]), rel=1e-3)
    assert cable["position_m"] == sorted(cable["position_m"], reverse=True)


def test_metres_that_met_a_silent_oven_are_unverified_for_cure_and_no_others():
    def silent(script: Script, s: int) -> None:
        if 80 <= s < 90:
            keep = [a for a in script.arrivals if not ("oven-b" in a.topic and T0 + s <= a.received_s)]
            script.arrivals[:] = keep

    _, out, rows = fed(core_line(200, before=silent))
    first, blind = int(rows["first"][0]), np.isnan(rows[INNER])
    missing = [f for f in closed(out).values() if f.kind == "missing" and f.stream == "oven-b/temperature"]
    spans = [(f.start_m, f.end_m) for f in missing]
    assert len(spans) == 2
    inside = np.zeros(len(blind), dtype=bool)
    for a, b in spans:
        inside |= (np.arange(len(blind)) + first >= a - 1) & (np.arange(len(blind)) + first <= b + 1)
    late = np.arange(len(blind)) > 125
    assert not (blind & late & ~inside).any()
    assert (blind & inside).sum() > 0.9 * inside.sum()
    assert (rows["verdict"][blind] == Verdict.UNVERIFIED).all()
    findings = [f for f in closed(out).values() if f.check == "unverified"]
    reported = {m for f in findings for m in range(int(f.start_m), int(f.end_m))}
    assert reported == set((np.flatnonzero(blind & late) + first).tolist())


def test_an_oven_that_sags_is_reported_before_its_metres_are_lost():
    """At 240 m/min an oven B of 270 degC undercures: the alarm comes with the speed that saves."""

    def set_cold(script: Script) -> Script:
        for i, a in enumerate(script.arrivals):
            if "oven-b" in a.topic and a.received_s > T0 + 90:
                body = json.loads(a.payload)
                body["v"] = [270.0] * len(body["v"])
                script.arrivals[i] = type(a)(a.topic, json.dumps(body).encode(), a.received_s)
        return script

    _, out, _ = fed(set_cold(core_line(220, lambda s: 240.0)))
    first = next(o for o in out if getattr(o, "alarm", "") == FORECAST_ALARM and o.event == "raised")
    lost = next(o for o in out if getattr(o, "alarm", "") == "cure/index-inner/undercured" and o.event == "raised")
    assert first.t_s < lost.t_s - 10
    assert first.priority is Priority.HIGH
    assert first.unit == "m/min"
    assert first.value is not None
    assert slowest_m_s(LINE, RECIPE) * 60 <= first.value < 240.0
    assert nominal(first.value, NOMINAL_C | {"oven-b": 270.0}).index_inner > 0.95


def test_another_recipe_marches_the_cable_inside_again_from_the_head():
    def change(script: Script, s: int) -> None:
        if s == 100:
            script.send("take-up/drum", T0 + 100.25, drum="C1-0002", recipe="core-1g5")

    engine, _, rows = fed(quiet_ovens(core_line(180, before=change)))
    assert engine.recipe is not None
    assert engine.recipe.recipe == "core-1g5"
    values = rows[INNER][~np.isnan(rows[INNER])]
    steps = np.flatnonzero(np.abs(np.diff(values)) > 0.5)
    assert len(steps) == 1  # from one recipe's index to the other's at one metre, nothing between
    assert values[: steps[0]] == pytest.approx(nominal().index_inner, rel=1e-4)
    assert len({round(v, 2) for v in values[steps[0] + 1 :]}) == 1


def test_a_line_whose_recipe_has_no_cure_has_no_columns_of_it():
    plain = RECIPE.model_copy(update={"cure": None})
    out = Pipeline(line=LINE, recipes={"core-2g5": plain}).feed(decoded(core_line(60).sorted()))
    _, rows = record(out)
    assert not set(COLUMNS) & set(rows)
    assert not [a for a in raised(out) if a.startswith("cure/")]


def test_what_was_foreseen_and_is_not_so_any_more_is_taken_back():
    """The stage tells each foreseen stretch once, again when it grows, and takes it back when it is gone."""
    engine, _, _ = fed(core_line(60))
    stage = engine.curing
    length = stage.lengths[-1]
    f = stage.forecast
    assert f is not None
    lost = f.lost.copy()
    lost[10:20] = True
    findings = []
    for which in (lost, lost, f.lost):
        stage.forecast = replace(f, standing=True, lost=which, save_m_s=None, act_by_s=None)
        findings.append(list(stage._foreseen("stopped", length)))
    assert [len(t) for t in findings] == [1, 0, 1]
    assert findings[0][0].verdict is Verdict.SUSPECT
    assert findings[2][0].verdict is Verdict.CONFORMING
    assert isinstance(findings[2][0], Finding)
    assert findings[2][0].start_m == findings[2][0].end_m
