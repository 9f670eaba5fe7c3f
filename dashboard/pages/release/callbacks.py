"""Callbacks of the page Record of drum."""

from typing import Any

from dash import Dash, Input, Output, State, ctx, no_update
from dash.exceptions import PreventUpdate

from dashboard.actions.answers import NotDoneError, note_resistance, sign_record
from dashboard.context import Context
from dashboard.pages.release import layout


def register(app: Dash, context: Context) -> None:
    """Register them."""

    @app.callback(
        Output("sign-said", "children"),
        Output("sign-reason", "value"),
        Input("sign-do", "n_clicks"),
        State("release-drum", "data"),
        State("sign-decision", "value"),
        State("sign-by", "value"),
        State("sign-reason", "value"),
        prevent_initial_call=True,
    )
    def sign(_n: Any, of: dict[str, Any], decision: str, by: str, reason: str) -> Any:
        try:
            sign_record(context, of["line"], of["filling"], decision, by, reason)
        except NotDoneError as error:
            return str(error), no_update
        return "Signed; it stands on the sheet as soon as the monitor has it.", ""

    @app.callback(
        Output("ohm-said", "children"),
        Input("ohm-do", "n_clicks"),
        State("release-drum", "data"),
        State("ohm", "value"),
        State("ohm-at", "value"),
        State("ohm-by", "value"),
        prevent_initial_call=True,
    )
    def measured(_n: Any, of: dict[str, Any], ohm: Any, at_C: Any, by: str) -> Any:
        try:
            note_resistance(context, of["line"], of["filling"], ohm, at_C, by)
        except NotDoneError as error:
            return str(error)
        return "Noted; it stands on the sheet as soon as the monitor has it."

    @app.callback(
        Output("release-sheet", "children"),
        Input("sign-said", "children"),
        Input("ohm-said", "children"),
        Input("second", "n_intervals"),
        State("release-drum", "data"),
        prevent_initial_call=True,
    )
    def again(_a: Any, _b: Any, n: int | None, of: dict[str, Any]) -> Any:
        if ctx.triggered_id == "second" and (n or 0) % 10:
            raise PreventUpdate
        found = layout.again(context, of)
        if found is None:
            raise PreventUpdate
        return found
