"""Callbacks of the page Trends."""

from dash import Input, Output, State, no_update

from dashboard.callbacks import Callbacks, Updates
from dashboard.context import Context
from dashboard.pages.trend import layout

CALLBACKS = Callbacks()


@CALLBACKS(
    Output("trend-streams", "data"),
    Output("trend-streams", "value"),
    Input("trend-line", "value"),
    State("location", "search"),
)
def choices(context: Context, line: str, search: str | None) -> Updates:
    data, usual = layout.stream_choices(context, line)
    asked = layout.choice_of(context, search or "")
    return data, list(asked.streams) if asked and asked.line == line and asked.streams else usual


@CALLBACKS(Output("trend-from", "display"), Output("trend-until", "display"), Input("trend-span", "value"))
def custom(context: Context, choice: str) -> tuple[str, str]:
    shown = "block" if choice == layout.CUSTOM else "none"
    return shown, shown


@CALLBACKS(
    Output("trend-line", "value"),
    Output("trend-span", "value"),
    Output("trend-from", "value"),
    Output("trend-until", "value"),
    Input("location", "search"),
)
def from_address(context: Context, search: str | None) -> Updates:
    """Without a choice in the address the page begins as laid out: to prevent an update would hold up the rest."""
    asked = layout.choice_of(context, search or "")
    if asked is None:
        return next(iter(context.configuration.lines)), next(iter(layout.SPANS)), None, None
    return asked.line, asked.span or no_update, asked.since, asked.until


CALLBACKS.in_browser(
    "trendAddress",
    Output("trend-again", "data-address"),
    Input("trend-line", "value"),
    Input("trend-span", "value"),
    Input("trend-streams", "value"),
    Input("trend-from", "value"),
    Input("trend-until", "value"),
    prevent_initial_call=True,
)


@CALLBACKS(
    Output("trend-chart", "children"),
    Output("trend-message", "children"),
    Input("trend-streams", "value"),
    Input("trend-span", "value"),
    Input("trend-from", "value"),
    Input("trend-until", "value"),
    Input("trend-again", "n_clicks"),
    State("trend-line", "value"),
)
def draw(
    context: Context,
    streams: list[str] | None,
    choice: str,
    since: str | None,
    until: str | None,
    _n: object,
    line: str,
) -> Updates:
    known = context.configuration.lines[line].streams
    chosen = tuple(s for s in streams or [] if s in known)
    if not chosen:
        return None, "Choose at least one stream."
    span = layout.span_ms(context, choice, since, until)
    if isinstance(span, str):
        return None, span
    return layout.answer(context, layout.TrendRequest(line, chosen, *span))
