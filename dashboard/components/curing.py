"""Cable now in the line: temperature and cure along the path, headroom and forecast."""

from functools import lru_cache

from dash import html
from dash.development.base_component import Component

from dashboard.components import Children, attributes
from dashboard.components.chart import chart
from dashboard.components.table import table
from dashboard.context import Context
from dashboard.figures.along import Along, along_figure, from_status
from dashboard.queries import live
from dashboard.queries.live import CureNow
from dashboard.text import format
from dashboard.text.format import exact
from monitor.analysis.what_if import ask, set_of
from monitor.contract.config import titles
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.reading import NowRow

LEGEND = "Colour: cable now (solid: surface, dashed: at the conductor). Grey: the recipe in steady state."


def curing(context: Context, line: Line) -> Children:
    """The block of the line's page; nothing where the recipe has no cure or there are no data yet."""
    now = context.line_now(line.line)
    recipe = context.recipe(line.line, now.recipe if now else None)
    if now is None or recipe is None or recipe.cure is None:
        return []
    cure = now.extra.get("cure")
    if not cure:
        return [html.P("Waiting for data: cure is calculated after the first readings arrive.")]
    curves = [_steady(line, recipe), from_status(cure["cable"])]
    return [
        html.P(
            [LEGEND, " As of ", html.Span("", **attributes(ago=str(cure["t_ms"]))), "."],
            className="note",
        ),
        chart("cable-now", along_figure(line, recipe.cure, curves)),
        html.Div([headroom(line, cure), inside(context, line, now, cure)], className="beside-blocks"),
    ]


@lru_cache(maxsize=64)
def _of_recipe(line: str, text: str, recipe: str) -> Along:
    of_line, of_recipe = Line.model_validate_json(text), Recipe.model_validate_json(recipe)
    seen = ask(of_line, of_recipe, set_of(of_recipe)).profile
    t = seen.trace
    return Along(
        name="recipe",
        position_m=seen.position_m,
        inner_C=t.inner_C,
        surface_C=t.surface_C,
        index=t.index_inner,
        now=False,
    )


def _steady(line: Line, recipe: Recipe) -> Along:
    return _of_recipe(line.line, line.model_dump_json(), recipe.model_dump_json())


def headroom(line: Line, cure: CureNow) -> Component:
    """Headroom of the speed and of each oven to the first limit, with the present state held constant."""
    room = cure["headroom"]
    rows = [["Line speed", _room(room["faster"], "m/min faster"), _room(room["slower"], "m/min slower")]]
    rows += [
        [
            titles.station_title(line, name),
            _room(room["colder"][name], "K colder"),
            _room(room["hotter"][name], "K hotter"),
        ]
        for name in room["colder"]
    ]
    return table(
        f"Headroom at {exact(cure['speed'])} m/min and present oven temperatures (steady state)",
        ["Setting", "Margin to undercure", "Margin to overheating"],
        rows,
        empty="",
        classes="headroom",
    )


def _room(margin: CureNow, what: str) -> str:
    if margin["room"] is None:
        return "no limit within range"
    limit = "" if margin["limit"] in ("undercured", "") else f": {margin['limit']}"
    return f"{format.number(margin['room'], 'm', 1)} {what}{limit}"


def inside(context: Context, line: Line, now: NowRow, cure: CureNow) -> Component:
    """Stretches inside the line that are lost, at risk or overheated, on the drum and from its outer end."""
    rows = [
        [words_of, *_places(now, start, end)]
        for name, words_of in (
            ("overheated", "overheated"),
            ("lost", "undercured, not recoverable"),
            ("at_risk", "at risk"),
        )
        for start, end in cure[name]
    ]
    advice = live.advice(cure, context.zone)
    about = "if the line restarts now" if cure["standing"] else "at unchanged settings"
    caption = f"Forecast at the take-up for cable now in the line, {about}" + (
        f": {advice}" if advice else ": fully cured"
    )
    return table(
        caption,
        ["Forecast", "Drum metre from", "to", "From the outer end", "to"],
        rows,
        empty="No cable now in the line is at risk.",
        numeric=(1, 2, 3, 4),
        classes="inside-now",
    )


def _places(now: NowRow, start_m: float, end_m: float) -> list[str]:
    if now.drum_start_m is None:
        return [format.NO_VALUE] * 4
    a, b = start_m - now.drum_start_m, end_m - now.drum_start_m
    if now.planned_length_m is None:
        return [format.metres(a), format.metres(b), format.NO_VALUE, format.NO_VALUE]
    outer = now.planned_length_m
    return [format.metres(a), format.metres(b), format.metres(outer - b), format.metres(outer - a)]
