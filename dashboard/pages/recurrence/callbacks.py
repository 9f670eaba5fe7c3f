"""Callbacks of the page Recurring faults: the result is computed once, the slider only refolds it."""

import plotly.graph_objects as go
from dash import Input, Output, State, no_update
from dash.exceptions import PreventUpdate

from dashboard.actions.operator import RejectedActionError, note_work
from dashboard.callbacks import Callbacks, Updates
from dashboard.components import Children
from dashboard.components.chart import tall
from dashboard.context import Context
from dashboard.figures.recurrence import fold_figure
from dashboard.pages.recurrence import layout
from dashboard.text.format import significant

CALLBACKS = Callbacks()


def _numbers(*typed: object) -> tuple[float, ...]:
    return tuple(float(x) if isinstance(x, int | float) else 0.0 for x in typed)


@CALLBACKS(
    Output("recurring-what", "data"),
    Output("recurring-what", "value"),
    Output("recurring-station", "data"),
    Output("recurring-station", "value"),
    Input("recurring-line", "value"),
    State("recurring-what", "value"),
)
def choices(context: Context, line: str, what: str) -> Updates:
    settings = context.configuration.lines[line]
    found = layout.kinds(settings)
    stations = [{"value": s.name, "label": s.title or s.name} for s in settings.station]
    data = [{"value": k, "label": v} for k, v in found.items()]
    return data, what if what in found else layout.busiest(context, line).what, stations, None


@CALLBACKS(
    Output("recurring-line", "value"),
    Output("recurring-what", "value", allow_duplicate=True),
    Output("recurring-drums", "value"),
    Input("location", "search"),
    prevent_initial_call="initial_duplicate",
)
def from_address(context: Context, search: str | None) -> Updates:
    choice = layout.asked(context, search or "")
    if choice is None:
        raise PreventUpdate
    return choice.line, choice.what, choice.drums


CALLBACKS.in_browser(
    "recurringAddress",
    Output("recurring-answer", "data-address"),
    Input("recurring-line", "value"),
    Input("recurring-what", "value"),
    Input("recurring-drums", "value"),
    prevent_initial_call=True,
)


@CALLBACKS(
    Output("recurring-answer", "children"),
    Output("recurring-more", "children"),
    Output("recurring-period", "value"),
    Output("recurring-period", "min"),
    Output("recurring-period", "max"),
    Output("recurring-period", "marks"),
    Output("recurring-period", "disabled"),
    Output("recurring-fold-caption", "children"),
    Input("recurring-line", "value"),
    Input("recurring-what", "value"),
    Input("recurring-drums", "value"),
    Input("recurring-least", "value"),
    Input("recurring-most", "value"),
)
def answer(context: Context, line: str, what: str, drums: str, least: object, most: object) -> Updates:
    if what not in layout.kinds(context.configuration.lines[line]):
        raise PreventUpdate
    numbers = _numbers(least, most)
    found = layout.answer(context, line, what, drums, *numbers)
    context.answers.put(("recurring", line, what, drums, *numbers), found)
    p = found.period
    if p is None:
        none = "No period to fold at."
        return found.parts, found.more, no_update, no_update, no_update, [], True, none
    caption = (
        f"Folded at {significant(p, 4)} {found.unit}: faults of this period form a column. "
        "Change the period and the column leans."
    )
    marks = [{"value": p, "label": significant(p, 4)}]
    return found.parts, found.more, p, p * (1 - layout.SPAN), p * (1 + layout.SPAN), marks, False, caption


@CALLBACKS(
    Output("recurring-fold", "figure"),
    Output("recurring-fold", "style"),
    Input("recurring-period", "value"),
    Input("recurring-period", "disabled"),
    State("recurring-line", "value"),
    State("recurring-what", "value"),
    State("recurring-drums", "value"),
    State("recurring-least", "value"),
    State("recurring-most", "value"),
)
def fold(
    context: Context, period: float, disabled: bool, line: str, what: str, drums: str, least: object, most: object
) -> Updates:
    found = context.answers.get(("recurring", line, what, drums, *_numbers(least, most)), layout.RecurrenceResult)
    if disabled or found is None or (not len(found.x) and found.shade is None):
        return go.Figure(), {"display": "none"}
    drawn = fold_figure(found.x, float(period), found.unit, found.shade, found.shade_at)
    return drawn, tall(drawn)


@CALLBACKS(
    Output("recurring-work", "children"),
    Input("recurring-line", "value"),
    Input("recurring-what", "value"),
    Input("recurring-drums", "value"),
    Input("recurring-message", "children"),
)
def work(context: Context, line: str, what: str, drums: str, _message: object) -> Children:
    return layout.work(context, line, what, drums)


@CALLBACKS(
    Output("recurring-message", "children"),
    Output("recurring-done", "value"),
    Input("recurring-note", "n_clicks"),
    State("recurring-line", "value"),
    State("recurring-station", "value"),
    State("recurring-by", "value"),
    State("recurring-done", "value"),
    prevent_initial_call=True,
)
def note(context: Context, _n: object, line: str, station: str | None, by: str, done: str) -> Updates:
    try:
        note_work(context, line, station, by, done)
    except RejectedActionError as error:
        return str(error), no_update
    return "Saved; listed below once the monitor confirms it.", ""
