"""Callbacks of the page Alarms."""

from typing import Any

from dash import Dash, Input, Output, State, ctx, no_update
from dash.exceptions import PreventUpdate

from dashboard.actions.answers import NotDoneError, send_answer
from dashboard.context import Context
from dashboard.pages.alarms import layout
from dashboard.queries.alarm_list import find
from dashboard.queries.live import WANTS_ANSWER


def register(app: Dash, context: Context) -> None:
    """Register them."""

    @app.callback(
        Output("answer", "opened"),
        Output("answer-about", "children"),
        Output("chosen", "data"),
        Output("answer-said", "children", allow_duplicate=True),
        Output("do-acknowledge", "disabled"),
        Output("do-shelve", "disabled"),
        Output("do-unshelve", "disabled"),
        Output("reason", "value"),
        Input("asked", "data"),
        prevent_initial_call=True,
    )
    def choose(asked: dict[str, Any] | None) -> Any:
        key = str((asked or {}).get("key", ""))
        alarm = find(context, key)
        if alarm is None:
            raise PreventUpdate
        shelved = alarm.state == "shelved"
        wants = alarm.state in WANTS_ANSWER
        # The reason given for one alarm is no reason for the next.
        return True, layout.about(context, alarm), key, "", not wants, shelved, not shelved, ""

    @app.callback(
        Output("answer", "opened", allow_duplicate=True),
        Output("sent", "data"),
        Output("answer-said", "children"),
        Output("alarm-said", "children"),
        Input("do-acknowledge", "n_clicks"),
        Input("do-shelve", "n_clicks"),
        Input("do-unshelve", "n_clicks"),
        State("chosen", "data"),
        State("by", "value"),
        State("reason", "value"),
        State("shelve-min", "value"),
        State("sent", "data"),
        prevent_initial_call=True,
    )
    def answer(
        _a: int | None, _s: int | None, _u: int | None, key: str | None, by: str, reason: str, minutes: str, sent: Any
    ) -> Any:
        if not key or not ctx.triggered or not ctx.triggered[0]["value"]:
            raise PreventUpdate
        action = str(ctx.triggered_id).removeprefix("do-")
        try:
            done = send_answer(context, key, action, by, reason, minutes)
        except NotDoneError as error:
            return no_update, no_update, str(error), no_update
        return False, [*(sent or [])[-50:], done], "", f"{action} sent, waiting for the monitor."
