"""Callbacks of the page Alarm load."""

from typing import Any

from dash import Dash, Input, Output

from dashboard.context import Context
from dashboard.pages.alarm_load import layout


def register(app: Dash, context: Context) -> None:
    """Register them."""

    @app.callback(
        Output("alarm-load-answer", "children"), Input("alarm-load-line", "value"), Input("alarm-load-span", "value")
    )
    def answer(line: str, span: str) -> Any:
        return layout.answer(context, line, span)
