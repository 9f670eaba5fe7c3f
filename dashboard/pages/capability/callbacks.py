"""Callbacks of the page How it holds."""

from typing import Any

from dash import Dash, Input, Output, State
from dash.exceptions import PreventUpdate

from dashboard.context import Context
from dashboard.pages.capability import layout


def register(app: Dash, context: Context) -> None:
    """Register them."""

    @app.callback(
        Output("hold-stream", "data"),
        Output("hold-stream", "value"),
        Input("hold-line", "value"),
        State("hold-stream", "value"),
        prevent_initial_call=True,
    )
    def streams(line: str, path: str) -> Any:
        found = layout.streams(context.configuration.lines[line])
        values = [s["value"] for s in found]
        return found, path if path in values else values[0]

    @app.callback(
        Output("hold-answer", "children"),
        Input("hold-line", "value"),
        Input("hold-stream", "value"),
        Input("hold-drums", "value"),
        Input("hold-eccentric", "value"),
        Input("hold-spread", "value"),
        Input("hold-rules", "value"),
    )
    def answer(line: str, path: str, drums: str, eccentric: Any, spread: str, rules: str) -> Any:
        if path not in context.configuration.lines[line].streams:
            raise PreventUpdate
        return layout.answer(context, line, path, drums, eccentric, spread, rules)
