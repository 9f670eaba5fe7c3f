"""Callbacks of the page Drum."""

from dash import Input, Output, State, ctx, no_update
from dash.exceptions import PreventUpdate

from dashboard.actions.marks import mark_metres, withdraw
from dashboard.actions.operator import RejectedActionError
from dashboard.callbacks import Callbacks, Updates
from dashboard.components import Children, FillingData
from dashboard.context import Context
from dashboard.pages.drum import layout

CALLBACKS = Callbacks()
SENT = "Sent; shown above once the monitor confirms it."
LOOK_EVERY_S = 3


@CALLBACKS(Output("history-metre", "value"), Input("location", "search"))
def asked(context: Context, search: str | None) -> int:
    metre = (search or "").removeprefix("?metre=")
    if not metre.isdigit():
        raise PreventUpdate
    return int(metre)


@CALLBACKS(
    Output("history", "children"),
    Input("history-metre", "value"),
    State("history-drum", "data"),
    prevent_initial_call=True,
)
def way(context: Context, metre: object, of: FillingData) -> Children:
    found = context.record.drum(of["line"], of["filling"])
    if found is None or not isinstance(metre, (int, float)):
        raise PreventUpdate
    return layout.history_table(context, found, float(metre))


@CALLBACKS(
    Output("mark-from", "value"),
    Output("mark-to", "value"),
    Input("history-metre", "value"),
    prevent_initial_call=True,
)
def chosen(_context: Context, metre: object) -> Updates:
    """The metre that was clicked on the map."""
    if not isinstance(metre, int | float):
        raise PreventUpdate
    return int(metre), int(metre) + 1


@CALLBACKS(
    Output("mark-message", "children"),
    Output("mark-reason", "value"),
    Input("mark-do", "n_clicks"),
    Input("mark-undo", "n_clicks"),
    State("history-drum", "data"),
    State("mark-kind", "value"),
    State("mark-from", "value"),
    State("mark-to", "value"),
    State("mark-which", "value"),
    State("mark-by", "value"),
    State("mark-reason", "value"),
    prevent_initial_call=True,
)
def mark(
    context: Context, _do: object, _undo: object, of: FillingData, kind: str, from_m: object, to_m: object,
    which: str | None, by: str, reason: str,
) -> Updates:  # fmt: skip
    try:
        if ctx.triggered_id == "mark-undo":
            withdraw(context, of["line"], of["filling"], which, by, reason)
        else:
            mark_metres(context, of["line"], of["filling"], kind, from_m, to_m, by, reason)
    except RejectedActionError as error:
        return str(error), no_update
    return SENT, ""


@CALLBACKS(
    Output("drum-findings", "children"),
    Output("mark-which", "data"),
    Input("second", "n_intervals"),
    State("mark-message", "children"),
    State("history-drum", "data"),
    prevent_initial_call=True,
)
def listed(context: Context, n: int | None, message: str | None, of: FillingData) -> Updates:
    """After a mark was sent, findings and marks as they are now."""
    found = context.record.drum(of["line"], of["filling"]) if message == SENT and (n or 0) % LOOK_EVERY_S == 0 else None
    if found is None:
        raise PreventUpdate
    return layout.after_marking(context, found)
