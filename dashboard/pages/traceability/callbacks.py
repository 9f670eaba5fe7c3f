"""Callbacks of the page Traceability of drum."""

from dash import Input, Output, State
from dash.exceptions import PreventUpdate

from dashboard.callbacks import Callbacks
from dashboard.components import Children, FillingData
from dashboard.context import Context
from dashboard.pages.traceability import layout

CALLBACKS = Callbacks()


@CALLBACKS(
    Output("traceability-answer", "children"),
    Input("traceability-metre", "value"),
    State("traceability-drum", "data"),
)
def follow(context: Context, metre: object, of: FillingData) -> Children:
    found = context.record.drum(of["line"], of["filling"])
    if found is None:
        raise PreventUpdate
    return layout.answer(context, found, float(metre) if isinstance(metre, int | float) else None)
