"""What all pages say, as text: no raw name of a stream, station or part, and thousands written one way (C22)."""

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest
from dash.development.base_component import Component

from dashboard.context import Context
from dashboard.pages import route
from dashboard.pages.alarm_load import layout as alarm_load
from dashboard.pages.capability import layout as capability
from dashboard.pages.cutting import layout as cutting
from dashboard.pages.drum import layout as drum
from dashboard.pages.recurrence import layout as recurrence
from dashboard.pages.shift import layout as shift
from dashboard.pages.traceability import layout as traceability
from dashboard.pages.what_if import layout as what_if
from dashboard.queries import alarm_list, live
from dashboard.text.findings import sentence
from monitor.contract.config import titles
from monitor.contract.config.configuration import Configuration
from monitor.contract.record import FindingKind
from monitor.evidence.drum_facts import fault_rates
from tests.core.script import configuration as whole_works
from tests.core.script import finding
from tests.dashboard.fake_record import FakeRecord, drum_with
from tests.dashboard.replies import reply_of

DRUM, FAULTS = "1-1042", "fault:spark-electrode/spark-fault"
READ = ("title", "value", "limit", "text", "what", "line", "where")  # of what the api gives
SAID = ("label", "title", "placeholder", "description", "aria-label", "children", "caption", "data", "figure")


def texts(of: Any) -> Iterator[str]:
    """Every text that a person may read in a component, of its figures and choices too."""
    if isinstance(of, str | int | float):
        yield str(of)
    elif isinstance(of, Component):
        for name in SAID:
            yield from texts(getattr(of, name, None))
    elif isinstance(of, dict):
        yield from texts([of[name] for name in ("label", "text", "title", "drum") if name in of])
    elif isinstance(of, list | tuple):
        for one in of:
            yield from texts(one)
    elif hasattr(of, "to_plotly_json"):
        drawn = of.to_plotly_json()
        yield from texts([a.get("text", "") for a in drawn["layout"].get("annotations", ())])
        for trace in drawn["data"]:
            yield from texts(
                [t for name in ("name", "hovertext") if (t := trace.get(name)) is not None and "meta" not in trace]
            )
            yield from texts([y for y in trace.get("y", ()) if isinstance(y, str)])


def answers(context: Context) -> dict[str, Callable[[], Any]]:
    """What callbacks put into each page."""
    found = context.record.drum_named("core-1", DRUM)
    assert found is not None
    ended = context.record.drum_named("core-1", "1-1041")
    line, recipe = context.configuration.lines["core-1"], context.configuration.recipes["core-2g5"]
    typed = {"speed": 230, "film": 1, "stop": 60, "slows": 8, "restarts": 12, "at": 9, "reading": 300.0}
    typed |= {zone: recipe.setpoints.zone_C[zone] for zone in ("shock-oven", "oven-a", "oven-b")}
    return {
        "history": lambda: drum.history_table(context, found, 700.0),
        "traceability": lambda: traceability.answer(context, found, 700.0),
        "shift": lambda: shift.answer(context, shift._choices(context)[0]["value"]),
        "cutting": lambda: cutting.answer(context, "core-1", [str(ended.filling if ended else 0)], 2.0, True),
        "alarm load": lambda: alarm_load.answer(context, alarm_load.ALL, "24 h"),
        "capability": lambda: capability.answer(context, "core-1", "cold-gauge/diameter-x", "3", 0.05),
        "faults": lambda: vars_of(
            recurrence.answer(context, "core-1", "fault:spark-electrode/spark-fault", "10", 0.4, 20.0)
        ),
        "signal": lambda: vars_of(recurrence.answer(context, "core-1", "signal:cold-gauge/diameter-x", "3", 0.4, 20.0)),
        "work": lambda: recurrence.work(context, "core-1", "mark:", "10"),
        "what if": lambda: what_if.answer(context, line.line, recipe.recipe, typed),
        "alarms": lambda: list(reply_of(alarm_list.now(context, None))["rows"].values()),
        "changes": lambda: list(reply_of(alarm_list.history(context, 24, 0, None))["rows"]),
        "live": lambda: [one["asks"] for one in reply_of(live.answer(context, live.Question()))["lines"]],
    }


def vars_of(found: recurrence.RecurrenceResult) -> list[Any]:
    return [*found.parts, *found.more]


PAGES = ["/", "/line/core-1", f"/drum/core-1/{DRUM}", "/drums", "/alarms", "/trend", "/shift", "/cutting",
         "/recurring",
         "/capability",
         "/release/core-1/1-1041", "/traceability/core-1/1-1041", "/alarm-load", "/what-if", "/limits"]  # fmt: skip
ANSWERS = ["history", "traceability", "shift", "cutting", "alarm load", "capability", "faults", "signal", "work",
"what if", "alarms",
           "changes", "live"]  # fmt: skip


@pytest.fixture(params=[*PAGES, *ANSWERS])
def page(request: pytest.FixtureRequest, context: Context, record: FakeRecord) -> str:
    """The text of a page or of what a callback adds to it. Some work was done and an alarm has long been active."""
    long_ago = replace(record.alarms[3], alarm="dancer/position/missing", t_ms=record.alarms[3].t_ms - 2 * 86_400_000)
    record.alarms.insert(0, long_ago)
    made = answers(context)[request.param]() if request.param in ANSWERS else route(context, request.param).content
    return "\n".join(flat(made))


def flat(made: Any) -> Iterator[str]:
    if isinstance(made, list) and made and all(isinstance(one, dict) for one in made):
        for one in made:
            yield from (
                str(v) for k, v in one.items() if k in ("title", "value", "limit", "text", "what", "line", "where")
            )
    else:
        yield from texts(made)


def raw_names(c: Configuration) -> set[str]:
    """Names that only configuration and wire know: paths of streams, stations and parts with a hyphen."""
    found = set()
    for line in c.lines.values():
        found |= {s.path for s in line.stream}
        found |= {s.name for s in line.station if "-" in s.name} | {z.name for z in line.zone if "-" in z.name}
        found |= {p.name for p in line.rotating_part if "-" in p.name}
    return found - {"take-up", "pay-off"}  # words of the trade


def test_c22_no_page_shows_a_raw_name(page: str, configuration: Configuration) -> None:
    shown = [n for n in raw_names(configuration) if re.search(rf"(?<![\w/-]){re.escape(n)}(?![\w-])", page)]
    assert shown == [], page


def test_c22_thousands_are_written_one_way(page: str) -> None:
    assert not re.findall(r"\d,\d{3}(?!\d)", page)
    whole = re.findall(r"(?<![\d.,:\w-])(?<!IEC )\d{5,}(?![\w-])", page)
    assert whole == [], "thousands without groups"


def test_c22_two_testers_of_a_line_have_two_names() -> None:
    c = whole_works()
    line, recipe = c.lines["lay-1"], c.recipes["laid-2x2g5"]
    checks = [(e.stream, e.name) for e in recipe.event_check if e.name == "spark-fault"]
    assert len(checks) == 2
    assert len({titles.event_title(line, *one) for one in checks}) == 2
    found = [finding(10.0, 11.0, FindingKind.FAULT, line="lay-1", stream=s, check=n) for s, n in checks]
    assert len({sentence(f, line) for f in found}) == 2
    facts = [label for label, _ in drum._rates(drum_with(line, recipe, found, length_m=1000.0))]
    assert len(set(facts)) == len(facts) == len(fault_rates(found, recipe, 1000.0))


def test_c22_streams_with_one_title_are_told_apart_by_their_station() -> None:
    line = whole_works().lines["lay-1"]
    twins = [s.model_copy(update={"title": "Faults"}) if s.path.endswith("/spark-fault") else s for s in line.stream]
    line = line.model_copy(update={"stream": twins})
    called = [titles.stream_title(line, s.path) for s in line.stream]
    assert len(set(called)) == len(called)
