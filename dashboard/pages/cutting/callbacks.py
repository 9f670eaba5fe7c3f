"""Callbacks of the page Cutting."""

from dash import Input, Output, State

from dashboard.callbacks import Callbacks, Updates
from dashboard.components import Children
from dashboard.context import Context
from dashboard.pages.cutting import layout

CALLBACKS = Callbacks()


@CALLBACKS(Output("cutting-drums", "data"), Output("cutting-drums", "value"), Input("cutting-line", "value"))
def drums(context: Context, line: str) -> Updates:
    return layout.drums(context, line)


@CALLBACKS(
    Output("cutting-answer", "children"),
    Input("cutting-drums", "value"),
    Input("cutting-guard", "value"),
    Input("cutting-suspect", "checked"),
    State("cutting-line", "value"),
)
def answer(context: Context, chosen: list[str] | None, guard: object, suspect: bool, line: str) -> Children:
    return layout.answer(context, line, chosen or [], guard, bool(suspect))
