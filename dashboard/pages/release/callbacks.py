"""Callbacks of the page Record of drum."""

from dash import Input, Output, State, ctx, no_update
from dash.exceptions import PreventUpdate

from dashboard.actions.operator import RejectedActionError, note_resistance, sign_record
from dashboard.callbacks import Callbacks, Updates
from dashboard.components import Children, FillingData
from dashboard.context import Context
from dashboard.pages.release import layout

CALLBACKS = Callbacks()


@CALLBACKS(
    Output("sign-message", "children"),
    Output("sign-reason", "value"),
    Input("sign-do", "n_clicks"),
    State("release-drum", "data"),
    State("sign-decision", "value"),
    State("sign-by", "value"),
    State("sign-reason", "value"),
    prevent_initial_call=True,
)
def sign(context: Context, _n: object, of: FillingData, decision: str, by: str, reason: str) -> Updates:
    try:
        sign_record(context, of["line"], of["filling"], decision, by, reason)
    except RejectedActionError as error:
        return str(error), no_update
    return "Signed; shown on the record once the monitor confirms it.", ""


@CALLBACKS(
    Output("ohm-message", "children"),
    Input("ohm-do", "n_clicks"),
    State("release-drum", "data"),
    State("ohm", "value"),
    State("ohm-at", "value"),
    State("ohm-by", "value"),
    prevent_initial_call=True,
)
def measured(context: Context, _n: object, of: FillingData, ohm: object, at_C: object, by: str) -> str:
    try:
        note_resistance(context, of["line"], of["filling"], ohm, at_C, by)
    except RejectedActionError as error:
        return str(error)
    return "Saved; shown on the record once the monitor confirms it."


@CALLBACKS(
    Output("release-sheet", "children"),
    Input("sign-message", "children"),
    Input("ohm-message", "children"),
    Input("second", "n_intervals"),
    State("release-drum", "data"),
    prevent_initial_call=True,
)
def again(context: Context, _a: object, _b: object, n: int | None, of: FillingData) -> Children:
    if ctx.triggered_id == "second" and (n or 0) % 10:
        raise PreventUpdate
    found = layout.again(context, of)
    if found is None:
        raise PreventUpdate
    return found
