"""Callbacks of the page What if."""

from dash import ALL, Input, Output, State

from dashboard.callbacks import Callbacks
from dashboard.components import Children
from dashboard.context import Context
from dashboard.pages.what_if import layout

CALLBACKS = Callbacks()


@CALLBACKS(Output("settings-fields", "children"), Input("settings-line", "value"), Input("settings-recipe", "value"))
def fields(context: Context, line: str, recipe: str) -> Children:
    return layout.fields(context, line, recipe)


@CALLBACKS(
    Output("settings-answer", "children"),
    Input({"type": "setting", "name": ALL}, "value"),
    State({"type": "setting", "name": ALL}, "id"),
    State("settings-line", "value"),
    State("settings-recipe", "value"),
)
def answer(context: Context, values: list[object], ids: list[dict[str, str]], line: str, recipe: str) -> Children:
    given = {one["name"]: value for one, value in zip(ids, values, strict=True)}
    return layout.answer(context, line, recipe, given)
