"""A13: a line whose speed comes in m/s has the record, forecast and headroom of the same line in m/min."""

import json
from collections.abc import Iterable
from functools import cache
from typing import Any

import numpy as np
import pytest

from monitor.contract.record import AlarmChange, Finding, Output
from monitor.core.arrival import Message
from monitor.core.cure.forecast import SPEED_STEP_M_S, slowest_m_s
from monitor.core.cure.stage import FORECAST_ALARM
from monitor.core.cure.stage import status_json as cure_status
from monitor.core.decode import Decoder
from monitor.core.pipeline import Pipeline
from tests.core.script import T0, Script, configuration, in_m_per_s
from tests.core.test_pipeline import core_line, of, record

SPEED = "metre-counter/speed"
PER_MIN, PER_S = configuration(), in_m_per_s(configuration())


def cold_oven() -> Script:
    """A line at 240 m/min, slow for half a minute, whose oven B falls to 270 degC after a while."""
    script = core_line(150, lambda s: 190.0 if 40 <= s < 70 else 240.0)
    for i, a in enumerate(script.arrivals):
        if "oven-b" in a.topic and a.received_s > T0 + 90:
            body = json.loads(a.payload)
            body["v"] = [270.0] * len(body["v"])
            script.arrivals[i] = type(a)(a.topic, json.dumps(body).encode(), a.received_s)
    return script


@cache
def run(unit: str) -> tuple[Pipeline, list[Output]]:
    """(engine, outputs) of that script, its speeds in one unit or the other."""
    works, arrivals = (PER_MIN if unit == "m/min" else PER_S), cold_oven().sorted()
    if unit == "m/s":
        for i, a in enumerate(arrivals):
            if a.topic.endswith(SPEED):
                body = json.loads(a.payload)
                body["v"] = [v / 60.0 for v in body["v"]]
                arrivals[i] = type(a)(a.topic, json.dumps(body).encode(), a.received_s)
    engine = Pipeline(line=works.lines["core-1"], recipes=works.recipes_for("core-1"))
    decoder = Decoder.of(works)
    return engine, engine.feed([m for a in arrivals if isinstance(m := decoder.decode(a), Message)])


def test_rows_are_the_same_but_for_the_speed_s_own_column():
    rows, other = (record(run(unit)[1])[1] for unit in ("m/min", "m/s"))
    assert rows.keys() == other.keys()
    for name, column in rows.items():
        factor = 60.0 if name.startswith(SPEED) else 1.0
        assert column == pytest.approx(other[name] * factor, rel=1e-6, nan_ok=True), name
    assert np.nanmax(rows[SPEED]) == pytest.approx(240.0, abs=0.1)


def test_findings_and_alarms_are_the_same():
    def results(outputs: Iterable[Output]) -> tuple[list[Any], list[Any]]:
        found = [(f.kind, f.stream, f.check, f.verdict, f.start_m, f.end_m) for f in of(Finding, outputs)]
        return found, [(c.alarm, c.event, c.t_s, c.priority) for c in of(AlarmChange, outputs)]

    (found, alarms), (other_found, other_alarms) = (results(run(unit)[1]) for unit in ("m/min", "m/s"))
    assert (f"{SPEED}/LO", "raised") in {(a, event) for a, event, *_ in alarms}
    assert (FORECAST_ALARM, "raised") in {(a, event) for a, event, *_ in alarms}
    assert [f[:4] for f in found] == [f[:4] for f in other_found]
    assert [f[4] for f in found] == pytest.approx([f[4] for f in other_found], abs=1e-6)
    assert [a[:2] for a in alarms] == [a[:2] for a in other_alarms]
    assert [a[2] for a in alarms] == pytest.approx([a[2] for a in other_alarms], abs=1e-3)


def test_forecast_and_headroom_are_the_same():
    now, other = (cure_status(run(unit)[0].curing) for unit in ("m/min", "m/s"))
    assert now["slowest"] == 200.0
    assert now["save"] is not None
    for key in ("speed", "slowest", "save", "lost", "at_risk", "headroom", "act_by_ms"):
        assert now[key] == other[key], key


@pytest.mark.parametrize("works", [PER_MIN, PER_S], ids=["m/min", "m/s"])
def test_the_slowest_speed_is_the_lower_limit_in_any_unit(works):
    assert slowest_m_s(works.lines["core-1"], works.recipes["core-2g5"]) == pytest.approx(200.0 / 60.0)


def test_a_lower_limit_of_zero_is_a_limit_and_the_slowest_speed_still_moves():
    """A lower limit of 0 does not count as none; no forecast divides by it."""
    recipe, line = PER_MIN.recipes["core-2g5"], PER_MIN.lines["core-1"]
    windows = [w.model_copy(update={"lolo": 0.0}) if w.stream == SPEED else w for w in recipe.window]
    slow = recipe.model_copy(update={"window": windows})
    assert slowest_m_s(line, slow) == line.stopped_below_m_per_min / 60.0
    creeping = line.model_copy(update={"stopped_below_m_per_min": 0.0})
    assert slowest_m_s(creeping, slow) == SPEED_STEP_M_S
