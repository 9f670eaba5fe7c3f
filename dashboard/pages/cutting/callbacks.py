"""Callbacks of the page Cutting."""

from typing import Any

from dash import Dash, Input, Output, State

from dashboard.context import Context
from dashboard.pages.cutting import layout


def register(app: Dash, context: Context) -> None:
    """Register them."""

    @app.callback(Output("cutting-drums", "data"), Output("cutting-drums", "value"), Input("cutting-line", "value"))
    def drums(line: str) -> Any:
        return layout.drums(context, line)

    @app.callback(
        Output("cutting-answer", "children"),
        Input("cutting-drums", "value"),
        Input("cutting-guard", "value"),
        Input("cutting-suspect", "checked"),
        State("cutting-line", "value"),
    )
    def answer(chosen: list[str] | None, guard: Any, suspect: bool, line: str) -> Any:
        return layout.answer(context, line, chosen or [], guard, bool(suspect))
