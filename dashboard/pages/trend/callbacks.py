"""Callbacks of the page Trends."""

from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, no_update

from dashboard.context import Context
from dashboard.pages.trend import layout


def register(app: Dash, context: Context) -> None:
    """Register them."""

    @app.callback(
        Output("trend-streams", "data"),
        Output("trend-streams", "value"),
        Input("trend-line", "value"),
        State("location", "search"),
    )
    def choices(line: str, search: str | None) -> Any:
        data, usual = layout.stream_choices(context, line)
        asked = layout.choice_of(context, search or "")
        return data, list(asked.streams) if asked and asked.line == line and asked.streams else usual

    @app.callback(Output("trend-from", "display"), Output("trend-until", "display"), Input("trend-span", "value"))
    def custom(choice: str) -> tuple[str, str]:
        shown = "block" if choice == layout.CUSTOM else "none"
        return shown, shown

    @app.callback(
        Output("trend-line", "value"),
        Output("trend-span", "value"),
        Output("trend-from", "value"),
        Output("trend-until", "value"),
        Input("location", "search"),
    )
    def from_address(search: str | None) -> Any:
        """Without a choice in the address the page begins as laid out: to prevent an update would hold up the rest."""
        asked = layout.choice_of(context, search or "")
        if asked is None:
            return next(iter(context.configuration.lines)), next(iter(layout.SPANS)), None, None
        return asked.line, asked.span or no_update, asked.since, asked.until

    client: Any = app.clientside_callback
    client(
        ClientsideFunction("everymetre", "trendAddress"),
        Output("trend-again", "data-address"),
        Input("trend-line", "value"),
        Input("trend-span", "value"),
        Input("trend-streams", "value"),
        Input("trend-from", "value"),
        Input("trend-until", "value"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("trend-chart", "children"),
        Output("trend-said", "children"),
        Input("trend-streams", "value"),
        Input("trend-span", "value"),
        Input("trend-from", "value"),
        Input("trend-until", "value"),
        Input("trend-again", "n_clicks"),
        State("trend-line", "value"),
    )
    def draw(streams: list[str] | None, choice: str, since: str | None, until: str | None, _n: Any, line: str) -> Any:
        known = context.configuration.lines[line].streams
        chosen = tuple(s for s in streams or [] if s in known)
        if not chosen:
            return None, "Choose at least one stream."
        span = layout.span_ms(context, choice, since, until)
        if isinstance(span, str):
            return None, span
        return layout.answer(context, layout.Asked(line, chosen, *span))
