"""Callbacks of the page Drum."""

from dash import Input, Output, State
from dash.exceptions import PreventUpdate

from dashboard.callbacks import Callbacks
from dashboard.components import Children, FillingData
from dashboard.context import Context
from dashboard.pages.drum import layout

CALLBACKS = Callbacks()


@CALLBACKS(Output("history-metre", "value"), Input("location", "search"))
def asked(context: Context, search: str | None) -> int:
    metre = (search or "").removeprefix("?metre=")
    if not metre.isdigit():
        raise PreventUpdate
    return int(metre)


@CALLBACKS(
    Output("history", "children"),
    Input("history-metre", "value"),
    State("history-drum", "data"),
    prevent_initial_call=True,
)
def way(context: Context, metre: object, of: FillingData) -> Children:
    found = context.record.drum(of["line"], of["filling"])
    if found is None or not isinstance(metre, (int, float)):
        raise PreventUpdate
    return layout.history_table(context, found, float(metre))
