"""Cure on the pages: what the monitor tells becomes words, tables and curves; what is asked is answered or refused."""

import dataclasses
import json
import time
from typing import Any

import pytest

from dashboard.components.curing import curing
from dashboard.context import Context
from dashboard.figures.along import along_figure, from_status
from dashboard.figures.faultmap import fault_map, lane_of
from dashboard.queries import live
from dashboard.text import alarm_text
from monitor.contract.reading import AlarmRow, NowRow
from monitor.contract.record import Finding, FindingKind
from monitor.core.cure.stage import status_json as cure_status
from tests.core import script
from tests.core.script import decoded, pipeline
from tests.core.test_pipeline import core_line
from tests.dashboard.fake_record import drum_with


@pytest.fixture(scope="module")
def cure() -> dict:
    """What a real engine tells of a line after two minutes, as it goes through the store."""
    engine = pipeline()
    engine.feed(decoded(core_line(120).sorted()))
    return json.loads(json.dumps(cure_status(engine.curing)))


@pytest.fixture
def row(context: Context, cure: dict[str, Any]) -> NowRow:
    return dataclasses.replace(context.line_now("core-1"), extra={"cure": cure})


@pytest.fixture
def knowing(context: Context, row: NowRow, monkeypatch: pytest.MonkeyPatch) -> Context:
    monkeypatch.setattr(context.record, "lines_now", lambda: [row])
    return context


def alarm(name: str, value: float | None, limit: float | None, unit: str = "") -> AlarmRow:
    return AlarmRow(
        line="core-1",
        alarm=name,
        occurrence_ms=0,
        t_ms=0,
        event="raised",
        state="unacknowledged",
        priority="high",
        value=value,
        limit=limit,
        unit=unit,
        line_metre=1e3,
        recipe="core-2g5",
        revision=1,
        by="",
        reason="",
        until_ms=None,
    )


@pytest.mark.parametrize(
    ("name", "limit", "unit", "says"),
    [
        ("cure/index-inner/undercured", 1.0, "", "Insulation undercured at the conductor: cure index below 1"),
        ("cure/index-inner/scant", 1.2, "", "Cure marginal at the conductor: cure index below 1.2"),
        ("cure/surface-peak/overheated", 280.0, "degC", "Surface too hot: above 280 \N{DEGREE SIGN}C"),
        ("cure/degradation/overheated", 0.002, "", "Too hot for too long: degradation index above 0.002"),
        ("cure/index-sheave/soft", 0.3, "", "Surface soft at the first sheave: cure index below 0.3"),
    ],
)
def test_each_alarm_of_the_cure_has_words_and_a_response(configuration, name, limit, unit, says):
    text = alarm_text.text_of(alarm(name, 0.5, limit, unit), configuration)
    assert text.title == says
    assert text.response is not None


@pytest.mark.parametrize(
    ("value", "says"),
    [
        (228.1, "Reduce line speed to 228.1 m/min or below. "),
        (None, "The metres at risk cannot be recovered at any line speed. "),
    ],
)
def test_the_corrective_action_of_the_forecast_begins_with_its_number(configuration, value, says):
    text = alarm_text.text_of(alarm("cure/forecast/undercured", value, None, "m/min"), configuration)
    assert text.response is not None
    assert text.response.corrective_action.startswith(says)


def test_a_line_that_is_well_has_its_room_in_few_words(context, row):
    shown = live.cure_now(context, row)
    assert shown is not None
    assert shown["advice"] == ""
    assert str(shown["room"]).endswith("m/min before undercure")


def test_a_line_at_risk_is_reported_what_to_do_until_when_and_what_is_lost(context, row, cure):
    risk = cure | {"at_risk": [[100.0, 130.0]], "lost": [[90.0, 100.0]], "save": 228.1, "act_by_ms": 1_764_035_000_000}
    shown = live.cure_now(context, dataclasses.replace(row, extra={"cure": risk}))
    assert shown is not None
    assert str(shown["advice"]).startswith("reduce speed to 228.1 m/min or below by ")
    assert str(shown["advice"]).endswith("10 m now in the line will be undercured")
    standing = live.advice(risk | {"standing": True, "overheated": [[1.0, 5.0]]}, context.zone)
    assert standing.startswith("restart at 228.1 m/min or below; ")
    assert "4 m now in the line overheated" in standing


def test_the_block_of_the_line_shows_the_cable_beside_the_recipe(knowing, configuration):
    begun_s = time.process_time()  # of the processor, so that a busy machine changes nothing
    shown, graph, blocks = curing(knowing, configuration.lines["core-1"])
    names = {trace.name for trace in graph.figure.data}
    assert {"now, surface", "now, inner", "now, index", "recipe, surface", "at the take-up"} <= names
    assert "recipe in steady state" in str(shown)
    assert "Line speed" in str(blocks)
    assert "No cable now in the line is at risk" in str(blocks)
    assert time.process_time() - begun_s < 2.0


def test_lost_metres_are_given_on_the_drum_and_from_its_outer_end(knowing, configuration, row, cure):
    start = row.drum_start_m
    planned = dataclasses.replace(
        row, planned_length_m=2000.0, extra={"cure": cure | {"lost": [[start + 100.0, start + 110.0]]}}
    )
    knowing.record.lines_now = lambda: [planned]
    text = str(curing(knowing, configuration.lines["core-1"]))
    for place in ("100.0", "110.0", "890.0", "900.0"):
        assert place in text, place


def test_a_line_without_cure_has_no_block(context, configuration):
    (shown,) = curing(context, configuration.lines["core-1"])
    assert "Waiting for data" in str(shown)


def test_the_curve_runs_from_the_head_on(cure, configuration):
    curve = from_status(cure["cable"])
    assert (curve.position_m[1:] > curve.position_m[:-1]).all()
    recipe = configuration.recipes["core-2g5"]
    fig = along_figure(configuration.lines["core-1"], recipe.cure, [curve])
    assert len([s for s in fig.layout.shapes if s.type == "rect"]) == 6


def finding(stream: str, check: str, text: str = "") -> Finding:
    more = {"stream": stream, "check": check, "extreme": 0.42, "limit": 1.0, "text": text}
    return script.finding(10.0, 20.0, FindingKind.CURE, **more)


def test_findings_of_the_cure_have_a_lane(configuration):
    assert lane_of(finding("cure/index-inner", "undercured"), configuration.lines["core-1"]) == "Cure"


def test_what_was_taken_back_is_not_drawn(configuration):
    line, recipe = configuration.lines["core-1"], configuration.recipes["core-2g5"]
    fig = fault_map(drum_with(line, recipe, [finding("cure/forecast", "undercured", "taken back")]))
    assert not [t for t in fig.data if t.name == "suspect"]
