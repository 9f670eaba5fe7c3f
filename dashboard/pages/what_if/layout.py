"""Layout of What if: cure at other speeds and oven temperatures, a stop, and a calibration."""

from collections.abc import Mapping

import dash_mantine_components as dmc
import numpy as np
import plotly.graph_objects as go
from dash import html
from dash.development.base_component import Component

from dashboard.components import Children
from dashboard.components.chart import chart
from dashboard.components.heading import heading
from dashboard.components.number_field import number_field
from dashboard.components.table import table
from dashboard.context import Context
from dashboard.figures.along import Along, along_figure
from dashboard.figures.style import BLUE, GREY, LIMIT_LINE, ORANGE, VERMILLION, figure
from dashboard.text import format
from dashboard.text.format import exact, fixed, significant
from dashboard.text.number_entry import NotANumberError, read_number
from monitor.analysis import what_if as ovens
from monitor.analysis.what_if import PlannedStop, Setting, SettingResult, Stopped, ask, ask_stop, calibrate, set_of
from monitor.contract.config import titles
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Cure, Recipe
from monitor.contract.units import ABSOLUTE_ZERO_C
from monitor.physics.margins import Margin

UNSURE = (
    "Film coefficients are uncertain: a 15 % change moves the cure index by a factor of about 1.6, the surface "
    "temperature by only about 10 K. Use the uncertainty band, and calibrate against a pyrometer reading. "
    "Calculation only: nothing on the line is changed."
)
TITLE = ("What if", "How would the cable cure at another speed or temperature?")
SPEEDS = 13
DEGREE = "\N{DEGREE SIGN}C"
SPREAD = 0.15


def content(context: Context) -> Children:
    """Choices; fields and results come by callbacks."""
    lines = {n: x for n, x in context.configuration.lines.items() if _recipes(context, n)}
    if not lines:
        return [*heading(*TITLE), html.P("No recipe here has cure data.")]
    first = next(iter(lines))
    names = list(dict.fromkeys(r for n in lines for r in _recipes(context, n)))
    now = context.line_now(first)
    runs = now.recipe if now and now.recipe in names else names[0]
    of_recipes = {n: context.configuration.recipes[n].title for n in names}
    return [
        html.Div(heading(*TITLE), className="top"),
        html.P(UNSURE, className="note"),
        html.Div(
            [
                _select("settings-line", "Line", {n: x.title for n, x in lines.items()}, first),
                _select("settings-recipe", "Recipe", of_recipes, runs),
            ],
            className="controls",
        ),
        html.Div(fields(context, first, runs), id="settings-fields"),
        html.Div(id="settings-answer", role="region"),
    ]


def _recipes(context: Context, line: str) -> list[str]:
    return [n for n, r in context.configuration.recipes_for(line).items() if r.cure and r.material]


def _select(name: str, label: str, choices: Mapping[str, str], value: str) -> dmc.Select:
    data = [{"value": k, "label": v} for k, v in choices.items()]
    return dmc.Select(id=name, label=label, data=data, value=value, allowDeselect=False, w=240)


def fields(context: Context, line_name: str, recipe_name: str) -> Children:
    """Number fields of a line and a recipe, at the recipe's set values."""
    line, recipe = context.configuration.lines[line_name], context.configuration.recipes[recipe_name]
    given = set_of(recipe)
    heated = ovens.ovens(line)
    first = [_number("speed", "Line speed", "m/min", given.speed_m_per_min)]
    first += [_number(n, titles.station_title(line, n), "degC", given.zone_C.get(n, 20.0)) for n in heated]
    first += [_number("film", "Film coefficient factor", "", 1.0)]
    stop = [
        _number("stop", "Stop duration", "s", 60.0),
        _number("slows", "Slowing down takes", "s", 8.0),
        _number("restarts", "Restarting takes", "s", 12.0),
    ]
    reading = [
        _number("at", "Pyrometer position (from crosshead)", "m", 9.0),
        _number("reading", "Surface reading", "degC", None),
    ]
    return [html.Div(row, className="setting-fields") for row in (first, [*stop, *reading])]


def _number(name: str, label: str, unit: str, value: float | None) -> dmc.TextInput:
    return number_field({"type": "setting", "name": name}, label, value, unit, width=170)


def answer(context: Context, line_name: str, recipe_name: str, given: Mapping[str, object]) -> Children:
    """Everything below the fields; a sentence says what cannot be computed."""
    line, recipe = context.configuration.lines[line_name], context.configuration.recipes[recipe_name]
    if recipe.cure is None:
        return [html.P(f"Recipe {recipe.title} has no cure data.")]
    try:
        setting = _setting(line, recipe, given)
        found, plain = ask(line, recipe, setting), ask(line, recipe, set_of(recipe))
        return [
            *_summary(recipe.cure, found),
            html.H2("Along the path"),
            _along(line, recipe.cure, found, plain),
            html.Div(
                [
                    html.Div([html.H2("Cure index against line speed"), _against(line, recipe, setting)]),
                    html.Div([html.H2("Headroom of this setting"), _room(line, found)]),
                ],
                className="beside-blocks",
            ),
            html.H2("A stop from this setting"),
            *_stop(line, recipe, setting, given),
            html.H2("Calibration"),
            *_calibration(line, recipe, setting, given),
        ]
    except ValueError as error:
        return [html.P(str(error), className="outcome bad", role="alert")]


def _given(given: Mapping[str, object], name: str, unit: str = "") -> float:
    try:
        value = read_number(given.get(name), format.unit(unit))
    except NotANumberError as error:
        raise ValueError(f"{name}: {error}") from error
    if value is None:
        raise ValueError(f"{name}: enter a number")
    return value


def _setting(line: Line, recipe: Recipe, given: Mapping[str, object]) -> Setting:
    zone_C = set_of(recipe).zone_C | {n: _oven_C(line, given, n) for n in ovens.ovens(line)}  # type: ignore[operator]
    film = _given(given, "film")
    if not ovens.FACTORS[0] <= film <= ovens.FACTORS[1]:
        raise ValueError(
            f"film coefficient factor {exact(film)}: expected {exact(ovens.FACTORS[0])} to {exact(ovens.FACTORS[1])}"
        )
    return Setting(_given(given, "speed", "m/min"), zone_C, film)


def _oven_C(line: Line, given: Mapping[str, object], name: str) -> float:
    """The temperature of an oven, within what its own instrument can measure: it could not be held elsewhere."""
    value = _given(given, name, "degC")
    path = next(z.temperature for z in line.zone if z.name == name)
    low, high = line.streams[path].measuring_range or (ABSOLUTE_ZERO_C, np.inf)  # type: ignore[index]
    if not low <= value <= high:
        title = titles.station_title(line, name)
        raise ValueError(
            f"{title}: expected {exact(low)} to {exact(high)} {DEGREE}, its instrument's range, got {exact(value)}"
        )
    return value


def _summary(cure: Cure, found: SettingResult) -> Children:
    c = found.leaves
    under, hot = c.index_inner < cure.index_min, c.peak_C > cure.surface_max_C or c.degradation > cure.degradation_max
    verdict = "undercured" if under else "overheated" if hot else "cured"
    band = f"{format.number(found.index_low, '')} to {format.number(found.index_high, '')}"
    return [
        html.P(
            f"Steady state: {verdict}. Cure index at the conductor {format.number(c.index_inner, '')} at the take-up "
            f"(band {band}, min. {exact(cure.index_min)}).",
            className=f"outcome{' bad' if under or hot else ''}",
            id="settings-result",
        ),
        html.P(
            f"Surface max. {format.quantity(c.peak_C, 'degC')} (limit {exact(cure.surface_max_C)}), degradation "
            f"index {significant(c.degradation, 2)} (limit {exact(cure.degradation_max)}); at the take-up "
            f"{format.quantity(c.inner_C, 'degC')} at the conductor after {format.quantity(c.exit_s, 's')}.",
            className="note",
        ),
    ]


def _curve(found: SettingResult, name: str, now: bool) -> Along:
    p, t = found.profile.position_m, found.profile.trace
    return Along(name=name, position_m=p, inner_C=t.inner_C, surface_C=t.surface_C, index=t.index_inner, now=now)


def _along(line: Line, cure: Cure, found: SettingResult, plain: SettingResult) -> Component:
    drawn = along_figure(line, cure, [_curve(plain, "recipe", False), _curve(found, "this setting", True)])
    return chart("settings-along", drawn)


def _against(line: Line, recipe: Recipe, setting: Setting) -> Component:
    assert recipe.cure is not None
    v = setting.speed_m_per_min
    speeds = np.linspace(v * (1 - SPREAD), v * (1 + SPREAD), SPEEDS)
    index = [c.index_inner for c in ovens.against_speed(line, recipe, setting, speeds)]
    fig = figure(230, top=10, bottom=42, left=58, right=70)
    fig.add_scatter(
        x=speeds.tolist(), y=index, mode="lines", line={"color": BLUE, "width": 2}, meta="profile",
        customdata=[f"{format.quantity(x, 'm/min')}: index {format.number(y, '1')}"
                    for x, y in zip(speeds.tolist(), index, strict=True)],
        hovertemplate="%{customdata}<extra></extra>",
    )  # fmt: skip
    fig.add_scatter(x=[v], y=[index[SPEEDS // 2]], mode="markers", marker={"size": 9, "color": BLUE}, hoverinfo="skip")
    for name, at, label in (("LOLO", recipe.cure.index_min, "min"), ("LO", recipe.cure.index_warn, "marginal")):
        fig.add_shape(type="line", xref="paper", x0=0, x1=1, y0=at, y1=at, line=LIMIT_LINE[name])
        fig.add_annotation(
            xref="paper", x=1, xanchor="left", y=at, text=f" {label} {exact(at)}", showarrow=False, font_size=10,
            yshift=5 if name == "LO" else -5,
        )  # fmt: skip
    fig.update_layout(
        xaxis={"title": {"text": "line speed (m/min)", "standoff": 4}, "showgrid": True},
        yaxis={
            "title": {"text": "cure index at the conductor"},
            "rangemode": "tozero",
            "showgrid": True,
            "zeroline": False,
        },
    )
    return chart("settings-against", fig)


def _room(line: Line, found: SettingResult) -> Component:
    m = found.margins
    if m is None:
        return html.P("Headroom is calculated for the configured film coefficients only: set the factor back to 1.")

    def distance(margin: Margin, what: str, factor: float = 1.0) -> str:
        if margin.room is None:
            return "no limit within range"
        return f"{format.number(margin.room * factor, 'm', 1)} {what}"

    rows = [["Line speed", distance(m.faster, "m/min faster", 60), distance(m.slower, "m/min slower", 60)]]
    rows += [
        [titles.station_title(line, n), distance(m.colder[n], "K colder"), distance(m.hotter[n], "K hotter")]
        for n in m.colder
    ]
    return table(
        "Until the first limit",
        ["Setting", "Margin to undercure", "Margin to overheating"],
        rows,
        empty="",
        classes="headroom",
    )


def _stop(line: Line, recipe: Recipe, setting: Setting, given: Mapping[str, object]) -> Children:
    stop = PlannedStop(*(_given(given, name, "s") for name in ("slows", "stop", "restarts")))
    if min(stop.slows_s, stop.stop_s, stop.restarts_s) < 0:
        raise ValueError("a stop has times of 0 s or more")
    found = ask_stop(line, recipe, setting, stop)
    under, hot = float(found.undercured.sum()), float(found.overheated.sum())
    both = float((found.undercured | found.overheated).sum())
    return [
        html.P(
            f"{fixed(both, 0)} m of scrap: {fixed(hot, 0)} m overheated, {fixed(under, 0)} m undercured, by "
            "position during the stop.",
            className=f"outcome{' bad' if both else ''}",
            id="settings-stop-result",
        ),
        chart("settings-stop", _stop_figure(line, found), coloured=False),
    ]


def _stop_figure(line: Line, found: Stopped) -> go.Figure:
    """A strip of the path: state of the cable by position, sound in grey."""
    fig = figure(120, top=24, bottom=40, left=58, right=86)
    for name, which, colour in (
        ("good", ~(found.undercured | found.overheated), GREY),
        ("undercured", found.undercured, ORANGE),
        ("overheated", found.overheated, VERMILLION),
    ):
        place, index, peak = found.position_m[which], found.index[which], found.peak_C[which]
        fig.add_bar(
            x=place.tolist(), y=[1.0] * len(place), width=1.0, name=name,
            marker={"color": colour, "line": {"width": 0}},
            customdata=[
                f"stopped at {format.metres(at)} m: {name}<br>index {format.number(i, '1')}, "
                f"surface {format.quantity(C, 'degC')}"
                for at, i, C in zip(place.tolist(), index.tolist(), peak.tolist(), strict=True)
            ],
            hovertemplate="%{customdata}<extra></extra>",
        )  # fmt: skip
    for zone in line.zone:
        fig.add_annotation(
            x=(zone.start_m + zone.end_m) / 2, yref="paper", y=1, yanchor="bottom", showarrow=False, font_size=10,
            text=titles.station_title(line, zone.name),
        )  # fmt: skip
    fig.update_layout(
        barmode="stack", bargap=0, showlegend=True,
        legend={"orientation": "h", "y": -0.9, "x": 1, "xanchor": "right"},
        xaxis={"range": [0, line.take_up_m],
               "title": {"text": "position during the stop, distance from crosshead (m)", "standoff": 2}},
        yaxis={"visible": False, "range": [0, 1]},
    )  # fmt: skip
    return fig


def _calibration(line: Line, recipe: Recipe, setting: Setting, given: Mapping[str, object]) -> Children:
    if given.get("reading") in (None, ""):
        return [
            html.P("To calibrate, enter a pyrometer reading of the cable's surface and its position.", className="note")
        ]
    try:
        found = calibrate(line, recipe, setting, _given(given, "at", "m"), _given(given, "reading", "degC"))
    except ValueError as error:
        return [html.P(str(error), className="outcome bad", role="alert")]
    rows = [[name, format.number(film, "", 1)] for name, film in found.films_W_m2K.items()]
    return [
        html.P(
            f"The model gives {format.quantity(found.modelled_C, 'degC')} there; {found.words}.", className="outcome"
        ),
        table("Film coefficients that give the reading", ["Zone", "W/m2K"], rows, empty="", numeric=(1,)),
    ]
