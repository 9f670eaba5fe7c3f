"""Callbacks of the page Line."""

from typing import Any
from urllib.parse import unquote

from dash import Dash, Input, Output, State
from dash.exceptions import PreventUpdate

from dashboard.components.curing import curing
from dashboard.context import Context


def register(app: Dash, context: Context) -> None:
    """Register them."""

    @app.callback(Output("curing", "children"), Input("curing-turn", "n_intervals"), State("location", "pathname"))
    def turn(_n: int | None, pathname: str | None) -> Any:
        name = unquote((pathname or "").removeprefix("/line/"))
        if name not in context.configuration.lines:
            raise PreventUpdate
        return curing(context, context.configuration.lines[name])
