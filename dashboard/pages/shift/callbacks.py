"""Callbacks of the page Shift."""

from dash import Input, Output, State, ctx, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.actions.operator import RejectedActionError, hand_over
from dashboard.callbacks import Callbacks, Updates
from dashboard.components import Children
from dashboard.context import Context
from dashboard.pages.shift import layout

CALLBACKS = Callbacks()


@CALLBACKS(Output("shift-answer", "children"), Input("shift-which", "value"))
def answer(context: Context, start: str | None) -> Children:
    return layout.answer(context, start)


@CALLBACKS(Output("shift-handovers", "children"), Input("shift-message", "children"), Input("second", "n_intervals"))
def signed(context: Context, _message: object, n: int | None) -> Component:
    if ctx.triggered_id == "second" and (n or 0) % 5:
        raise PreventUpdate
    return layout.handovers(context)


@CALLBACKS(
    Output("shift-message", "children"),
    Output("shift-words", "value"),
    Input("shift-sign", "n_clicks"),
    State("shift-by", "value"),
    State("shift-words", "value"),
    prevent_initial_call=True,
)
def sign(context: Context, _n: object, by: str, note: str) -> Updates:
    try:
        hand_over(context, by, note)
    except RejectedActionError as error:
        return str(error), no_update
    return "Signed; listed below once the monitor confirms it.", ""
