"""Callbacks of the page Family of drum."""

from typing import Any

from dash import Dash, Input, Output, State
from dash.exceptions import PreventUpdate

from dashboard.context import Context
from dashboard.pages.traceability import layout


def register(app: Dash, context: Context) -> None:
    """Register them."""

    @app.callback(
        Output("traceability-answer", "children"),
        Input("traceability-metre", "value"),
        State("traceability-drum", "data"),
    )
    def follow(metre: Any, of: dict[str, Any]) -> Any:
        found = context.record.drum(of["line"], of["filling"])
        if found is None:
            raise PreventUpdate
        return layout.answer(context, found, float(metre) if isinstance(metre, int | float) else None)
