"""Callbacks of the page Drum."""

from typing import Any

from dash import Dash, Input, Output, State
from dash.exceptions import PreventUpdate

from dashboard.context import Context
from dashboard.pages.drum import layout


def register(app: Dash, context: Context) -> None:
    """Register them."""

    @app.callback(Output("history-metre", "value"), Input("location", "search"))
    def asked(search: str | None) -> Any:
        metre = (search or "").removeprefix("?metre=")
        if not metre.isdigit():
            raise PreventUpdate
        return int(metre)

    @app.callback(
        Output("history", "children"),
        Input("history-metre", "value"),
        State("history-drum", "data"),
        prevent_initial_call=True,
    )
    def way(metre: Any, of: dict[str, Any]) -> Any:
        found = context.record.drum(of["line"], of["filling"])
        if found is None or not isinstance(metre, (int, float)):
            raise PreventUpdate
        return layout.history_table(context, found, float(metre))
