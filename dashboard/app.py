"""The dashboard's factory: one Dash application over a record, with its api, its pages and its callbacks."""

from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import quote

from dash import ClientsideFunction, Dash, Input, Output, State
from flask import redirect, request
from werkzeug import Response

from dashboard import pages
from dashboard.components import Children
from dashboard.components.frame import INDEX, frame
from dashboard.context import Context
from dashboard.gateway import ActionNumbers, Gateway
from dashboard.jobs import Bench
from dashboard.text.addresses import moved
from dashboard.web import api
from dashboard.web.sign_in import form_token, present
from monitor.contract.config.configuration import Configuration
from monitor.contract.reading import Record, SchemaVersionError

ASSETS = Path(__file__).parent / "assets"


def create_app(
    record: Record,
    configuration: Configuration,
    gateway: Gateway,
    clock: Callable[[], float],
    bench: Bench | None = None,
) -> Dash:
    """The application; `clock` gives UTC seconds. It fetches nothing from other hosts and writes nothing."""
    context = Context(
        record=record,
        configuration=configuration,
        clock=clock,
        gateway=gateway,
        numbering=ActionNumbers(clock),
        bench=bench,
    )
    app = Dash(
        __name__,
        assets_folder=str(ASSETS),
        pages_folder="",
        title="everymetre",
        update_title="",
        index_string=INDEX,
        suppress_callback_exceptions=True,
        serve_locally=True,
    )
    app.server.before_request(_redirect_moved)
    app.server.register_blueprint(api.blueprint(context))
    app.server.register_error_handler(SchemaVersionError, lambda error: ({"error": str(error)}, 503))
    works = configuration.works
    app.layout = lambda: frame(works.title, works.time_zone, present(), pages.navigation(), form_token())
    _pages(app, context)
    _browser_side(app)
    for page in pages.PAGES:
        page.callbacks.register(app, context)
    return app


def _redirect_moved() -> Response | None:
    """Before each request: a redirect where its address is an earlier one."""
    now = moved(request.path)
    if now is None:
        return None
    asked = request.query_string.decode("ascii", "replace")
    return redirect(quote(now) + (f"?{asked}" if asked else ""), 308)


def _pages(app: Dash, context: Context) -> None:
    @app.callback(
        Output("content", "children"),
        Output("content", "data-title"),
        Input("location", "pathname"),
        Input("page-turn", "data"),
    )
    def show(pathname: str | None, _turn: object) -> tuple[Children, str]:
        try:
            page = pages.route(context, pathname or "/")
        except SchemaVersionError as error:
            page = pages.unreadable(error)
        return page.content, page.title


def _browser_side(app: Dash) -> None:
    """The update each second, the theme and the window's title are done by `assets/live.js`."""

    client: Any = app.clientside_callback  # Dash leaves it untyped

    def call(name: str) -> ClientsideFunction:
        return ClientsideFunction("everymetre", name)

    client(
        call("second"),
        Output("second-done", "data"),
        Input("second", "n_intervals"),
        Input("content", "children"),
        Input("sent", "data"),
    )
    client(
        call("theme"),
        Output("theme", "data"),
        Output("provider", "forceColorScheme"),
        Output("theme-button", "children"),
        Input("theme-button", "n_clicks"),
        State("theme", "data"),
    )
    client(
        call("arrive"), Output("content", "data-arrived"), Input("content", "data-title"), State("location", "pathname")
    )
