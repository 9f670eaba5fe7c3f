"""Callbacks of the page Capability."""

from dash import Input, Output, State
from dash.exceptions import PreventUpdate

from dashboard.callbacks import Callbacks, Updates
from dashboard.components import Children
from dashboard.context import Context
from dashboard.pages.capability import layout

CALLBACKS = Callbacks()


@CALLBACKS(
    Output("capability-stream", "data"),
    Output("capability-stream", "value"),
    Input("capability-line", "value"),
    State("capability-stream", "value"),
    prevent_initial_call=True,
)
def streams(context: Context, line: str, path: str) -> Updates:
    found = layout.streams(context.configuration.lines[line])
    values = [s["value"] for s in found]
    return found, path if path in values else values[0]


@CALLBACKS(
    Output("capability-answer", "children"),
    Input("capability-line", "value"),
    Input("capability-stream", "value"),
    Input("capability-drums", "value"),
    Input("capability-eccentric", "value"),
    Input("capability-spread", "value"),
    Input("capability-rules", "value"),
)
def answer(context: Context, line: str, path: str, drums: str, eccentric: object, spread: str, rules: str) -> Children:
    if path not in context.configuration.lines[line].streams:
        raise PreventUpdate
    return layout.answer(context, line, path, drums, eccentric, spread, rules)
