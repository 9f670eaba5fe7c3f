"""Callbacks of the page Shift."""

from typing import Any

from dash import Dash, Input, Output, State, ctx, no_update
from dash.exceptions import PreventUpdate

from dashboard.actions.answers import NotDoneError, hand_over
from dashboard.context import Context
from dashboard.pages.shift import layout


def register(app: Dash, context: Context) -> None:
    """Register them."""

    @app.callback(Output("shift-answer", "children"), Input("shift-which", "value"))
    def answer(start: str | None) -> Any:
        return layout.answer(context, start)

    @app.callback(
        Output("shift-handovers", "children"), Input("shift-said", "children"), Input("second", "n_intervals")
    )
    def signed(_said: Any, n: int | None) -> Any:
        if ctx.triggered_id == "second" and (n or 0) % 5:
            raise PreventUpdate
        return layout.handovers(context)

    @app.callback(
        Output("shift-said", "children"),
        Output("shift-words", "value"),
        Input("shift-sign", "n_clicks"),
        State("shift-by", "value"),
        State("shift-words", "value"),
        prevent_initial_call=True,
    )
    def sign(_n: Any, by: str, said: str) -> Any:
        try:
            hand_over(context, by, said)
        except NotDoneError as error:
            return str(error), no_update
        return "Signed; it stands below as soon as the monitor has it.", ""
