"""Callbacks of the page Alarm load."""

from dash import Input, Output

from dashboard.callbacks import Callbacks
from dashboard.components import Children
from dashboard.context import Context
from dashboard.pages.alarm_load import layout

CALLBACKS = Callbacks()


@CALLBACKS(
    Output("alarm-load-answer", "children"), Input("alarm-load-line", "value"), Input("alarm-load-span", "value")
)
def answer(context: Context, line: str, span: str) -> Children:
    return layout.answer(context, line, span)
