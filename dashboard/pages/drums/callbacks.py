"""Callbacks of the page Drums: what is searched for is in the address."""

from dash import Input, Output, State, ctx
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.callbacks import Callbacks, Updates
from dashboard.context import Context
from dashboard.pages.drums import layout
from dashboard.pages.drums.layout import SearchData

CALLBACKS = Callbacks()
STEPS = {"drums-older": 1, "drums-newer": -1}


@CALLBACKS(
    Output("drums-name", "value"),
    Output("drums-line", "value"),
    Output("drums-recipe", "value"),
    Output("drums-undecided", "checked"),
    Output("drums-search", "data"),
    Input("location", "search"),
)
def from_address(context: Context, search: str | None) -> Updates:
    if not search:
        raise PreventUpdate
    asked = layout.asked(context, search)
    return asked["name"], asked["line"], asked["recipe"], asked["undecided"], asked


@CALLBACKS(
    Output("drums-search", "data", allow_duplicate=True),
    Input("drums-older", "n_clicks"),
    Input("drums-newer", "n_clicks"),
    Input("drums-name", "value"),
    Input("drums-line", "value"),
    Input("drums-recipe", "value"),
    Input("drums-undecided", "checked"),
    State("drums-search", "data"),
    prevent_initial_call=True,
)
def search(
    _context: Context, _older: object, _newer: object, name: str | None, line: str | None, recipe: str | None,
    undecided: bool | None, last: SearchData,
) -> SearchData:  # fmt: skip
    """Another page of the same search; the first of another one."""
    first: SearchData = {
        "name": name or "", "line": line, "recipe": recipe, "undecided": bool(undecided), "page": 0
    }  # fmt: skip
    if first != {**last, "page": 0}:
        return first
    step = STEPS.get(str(ctx.triggered_id), 0)
    if not step:
        raise PreventUpdate
    return {**first, "page": max(last["page"] + step, 0)}


@CALLBACKS(
    Output("drums-list", "children"),
    Output("drums-newer", "disabled"),
    Output("drums-older", "disabled"),
    Input("drums-search", "data"),
    prevent_initial_call=True,
)
def listed(context: Context, asked: SearchData) -> tuple[Component, bool, bool]:
    drums, older = layout.listing(context, layout.searched(asked))
    return drums, asked["page"] == 0, not older


CALLBACKS.in_browser(
    "drumsAddress", Output("drums-address", "data-address"), Input("drums-search", "data"), prevent_initial_call=True
)
