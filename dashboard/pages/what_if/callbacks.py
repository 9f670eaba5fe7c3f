"""Callbacks of the page Other settings."""

from typing import Any

from dash import ALL, Dash, Input, Output, State

from dashboard.context import Context
from dashboard.pages.what_if import layout


def register(app: Dash, context: Context) -> None:
    """Register them."""

    @app.callback(
        Output("settings-fields", "children"), Input("settings-line", "value"), Input("settings-recipe", "value")
    )
    def fields(line: str, recipe: str) -> Any:
        return layout.fields(context, line, recipe)

    @app.callback(
        Output("settings-answer", "children"),
        Input({"type": "setting", "name": ALL}, "value"),
        State({"type": "setting", "name": ALL}, "id"),
        State("settings-line", "value"),
        State("settings-recipe", "value"),
    )
    def answer(values: list[Any], ids: list[dict[str, str]], line: str, recipe: str) -> Any:
        given = {one["name"]: value for one, value in zip(ids, values, strict=True)}
        return layout.answer(context, line, recipe, given)
