"""Callbacks of the page Line."""

from urllib.parse import unquote

from dash import Input, Output, State
from dash.exceptions import PreventUpdate

from dashboard.callbacks import Callbacks
from dashboard.components import Children
from dashboard.components.curing import curing
from dashboard.context import Context

CALLBACKS = Callbacks()


@CALLBACKS(Output("curing", "children"), Input("curing-turn", "n_intervals"), State("location", "pathname"))
def turn(context: Context, _n: int | None, pathname: str | None) -> Children:
    name = unquote((pathname or "").removeprefix("/line/"))
    if name not in context.configuration.lines:
        raise PreventUpdate
    return curing(context, context.configuration.lines[name])
