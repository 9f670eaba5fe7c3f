"""Callbacks of the page Alarms."""

from dash import Input, Output, State, ctx, no_update
from dash.exceptions import PreventUpdate

from dashboard.actions.operator import RejectedActionError, SentAction, send_response
from dashboard.callbacks import Callbacks, Updates
from dashboard.context import Context
from dashboard.pages.alarms import layout
from dashboard.queries.alarm_list import find
from dashboard.queries.live import UNACKNOWLEDGED

CALLBACKS = Callbacks()
SENT = {"acknowledge": "Acknowledgement", "shelve": "Shelving", "unshelve": "Unshelving"}


@CALLBACKS(
    Output("answer", "opened"),
    Output("answer-about", "children"),
    Output("chosen", "data"),
    Output("answer-message", "children", allow_duplicate=True),
    Output("do-acknowledge", "disabled"),
    Output("do-shelve", "disabled"),
    Output("do-unshelve", "disabled"),
    Output("reason", "value"),
    Input("asked", "data"),
    prevent_initial_call=True,
)
def choose(context: Context, asked: dict[str, str] | None) -> Updates:
    key = (asked or {}).get("key", "")
    alarm = find(context, key)
    if alarm is None:
        raise PreventUpdate
    shelved = alarm.state == "shelved"
    unacknowledged = alarm.state in UNACKNOWLEDGED
    # A reason entered for one alarm must not stay for the next.
    return True, layout.about(context, alarm), key, "", not unacknowledged, shelved, not shelved, ""


@CALLBACKS(
    Output("answer", "opened", allow_duplicate=True),
    Output("sent", "data"),
    Output("answer-message", "children"),
    Output("alarm-heading", "children"),
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
    context: Context,
    _a: int | None,
    _s: int | None,
    _u: int | None,
    key: str | None,
    by: str,
    reason: str,
    minutes: str,
    sent: list[SentAction] | None,
) -> Updates:
    if not key or not ctx.triggered or not ctx.triggered[0]["value"]:
        raise PreventUpdate
    action = str(ctx.triggered_id).removeprefix("do-")
    try:
        done = send_response(context, key, action, by, reason, minutes)
    except RejectedActionError as error:
        return no_update, no_update, str(error), no_update
    return False, [*(sent or [])[-50:], done], "", f"{SENT[action]} sent, awaiting confirmation."
