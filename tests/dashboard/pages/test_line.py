"""The page of one line: what it shows for any line, and what the browser needs to carry on."""

from dataclasses import replace

import pytest
from dash.exceptions import PreventUpdate

from dashboard.context import shown_streams
from dashboard.figures.strips import offset_ms
from dashboard.pages.line import callbacks
from dashboard.pages.line import layout as page
from dashboard.queries.live import BACKFILL_MS
from tests.core.script import configuration as whole_plant
from tests.dashboard.conftest import NOW_S
from tests.dashboard.page_text import json_of, text_of

NOW_MS = round(NOW_S * 1e3)


def test_the_browser_learns_line_recipe_span_and_the_shift_of_its_clock(context):
    (shown,) = page.content(context, "core-1")
    given = shown.to_plotly_json()["props"]
    assert {name: given[f"data-{name}"] for name in ("page", "line", "recipe", "shift", "span")} == {
        "page": "line", "line": "core-1", "recipe": "core-2g5", "span": str(BACKFILL_MS),
        "shift": str(offset_ms(NOW_MS, context.zone)),
    }  # fmt: skip


def test_every_stream_that_the_recipe_limits_has_its_strip_of_the_last_minutes(context):
    (shown,) = page.content(context, "core-1")
    figure = shown.children[-1].figure
    line, recipe = context.configuration.lines["core-1"], context.recipe_now("core-1")
    limited = [p for p in shown_streams(line) if any(w.stream == p for w in recipe.window)]
    drawn = {trace.meta: trace for trace in figure.data}
    assert list(drawn) == sorted(limited, key=list(drawn).index)
    assert set(drawn) == set(limited)
    shift = offset_ms(NOW_MS, context.zone)
    for trace in drawn.values():
        assert all(NOW_MS - BACKFILL_MS <= t - shift <= NOW_MS for t in trace.x)


def test_without_a_recipe_it_says_so_and_shows_every_stream(context, record, monkeypatch):
    monkeypatch.setattr(type(context), "recipe_now", lambda *_: None)
    (shown,) = page.content(context, "core-1")
    assert "limits of recipe (unknown)" in text_of(shown)
    assert {t.meta for t in shown.children[-1].figure.data} == set(shown_streams(context.configuration.lines["core-1"]))


@pytest.mark.parametrize(("line", "moves"), [("core-1", True), ("fire-1", False)])
def test_a_bench_on_which_nothing_moves_has_no_path(line, moves):
    assert bool(page._path(whole_plant().lines[line])) is moves


def test_only_a_line_whose_recipes_cure_has_the_block_of_the_cure(context):
    plant = replace(context, configuration=whole_plant())
    assert "Temperature and cure along the path" in json_of(page._cure(plant, whole_plant().lines["core-1"]))
    assert page._cure(plant, whole_plant().lines["rewind-1"]) == []


def test_the_block_of_the_cure_follows_the_address(context):
    assert callbacks.turn(context, 1, "/line/core-1")
    for address in ("/line/none", "/alarms", None):
        with pytest.raises(PreventUpdate):
            callbacks.turn(context, 1, address)
