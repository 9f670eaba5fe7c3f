"""Callbacks of the page How it holds."""

from typing import Any

from dash import Dash, Input, Output, State
from dash.exceptions import PreventUpdate

from dashboard.context import Context
from dashboard.pages.capability import layout


def register(app: Dash, context: Context) -> None:
    """Register them."""

    @app.callback(
        Output("capability-stream", "data"),
        Output("capability-stream", "value"),
        Input("capability-line", "value"),
        State("capability-stream", "value"),
        prevent_initial_call=True,
    )
    def streams(line: str, path: str) -> Any:
        found = layout.streams(context.configuration.lines[line])
        values = [s["value"] for s in found]
        return found, path if path in values else values[0]

    @app.callback(
        Output("capability-answer", "children"),
        Input("capability-line", "value"),
        Input("capability-stream", "value"),
        Input("capability-drums", "value"),
        Input("capability-eccentric", "value"),
        Input("capability-spread", "value"),
        Input("capability-rules", "value"),
    )
    def answer(line: str, path: str, drums: str, eccentric: Any, spread: str, rules: str) -> Any:
        if path not in context.configuration.lines[line].streams:
            raise PreventUpdate
        return layout.answer(context, line, path, drums, eccentric, spread, rules)
