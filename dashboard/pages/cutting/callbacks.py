"""Callbacks of the page Cutting."""

from typing import Any

from dash import Dash, Input, Output, State

from dashboard.context import Context
from dashboard.pages.cutting import layout


def register(app: Dash, context: Context) -> None:
    """Register them."""

    @app.callback(Output("cut-drums", "data"), Output("cut-drums", "value"), Input("cut-line", "value"))
    def drums(line: str) -> Any:
        return layout.drums(context, line)

    @app.callback(
        Output("cut-answer", "children"),
        Input("cut-drums", "value"),
        Input("cut-guard", "value"),
        Input("cut-suspect", "checked"),
        State("cut-line", "value"),
    )
    def answer(chosen: list[str] | None, guard: Any, suspect: bool, line: str) -> Any:
        return layout.answer(context, line, chosen or [], guard, bool(suspect))
