"""The dashboard's factory: one Dash application over a record, with its api, its pages and its callbacks."""

from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, no_update
from dash.exceptions import PreventUpdate

from dashboard import again_calls, api, limits_calls, pages
from dashboard.alarm_list import find
from dashboard.answers import NotDoneError, hand_over, note_resistance, send_answer, sign_record
from dashboard.bench import Bench
from dashboard.context import Context
from dashboard.entry import present
from dashboard.gateway import Gateway, Numbering
from dashboard.live import WANTS_ANSWER
from dashboard.pages import alarms, cut, drum, family, hold, load, release, settings, shift, trend
from dashboard.views.curing import curing
from dashboard.views.frame import INDEX, frame
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
    """The application; `clock` gives UTC seconds. Nothing is fetched from elsewhere and nothing is written."""
    context = Context(record, configuration, clock, gateway, Numbering(clock), bench)
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
    app.server.register_blueprint(api.blueprint(context))
    app.server.register_error_handler(SchemaVersionError, lambda error: ({"error": str(error)}, 503))
    app.layout = lambda: frame(configuration.works.title, configuration.works.time_zone, present())
    _pages(app, context)
    _browser_side(app)
    _alarms(app, context)
    _drum(app, context)
    _trend(app, context)
    _curing(app, context)
    _settings(app, context)
    _shift(app, context)
    _cut(app, context)
    _release(app, context)
    _family(app, context)
    _hold(app, context)
    _load(app, context)
    limits_calls.register(app, context)
    again_calls.register(app, context)
    return app


def _pages(app: Dash, context: Context) -> None:
    @app.callback(
        Output("content", "children"),
        Output("content", "data-title"),
        Input("location", "pathname"),
        Input("page-turn", "data"),
    )
    def show(pathname: str | None, _turn: Any) -> tuple[Any, str]:
        try:
            page = pages.route(context, pathname or "/")
        except SchemaVersionError as error:
            page = pages.unreadable(error)
        return page.content, page.title


def _browser_side(app: Dash) -> None:
    """The second's work, the theme and the window's title are done by `assets/live.js`."""

    client: Any = app.clientside_callback

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


def _alarms(app: Dash, context: Context) -> None:
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
        return True, alarms.about(context, alarm), key, "", not wants, shelved, not shelved, ""

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


def _drum(app: Dash, context: Context) -> None:
    @app.callback(Output("journey-metre", "value"), Input("location", "search"))
    def asked(search: str | None) -> Any:
        metre = (search or "").removeprefix("?metre=")
        if not metre.isdigit():
            raise PreventUpdate
        return int(metre)

    @app.callback(
        Output("journey", "children"),
        Input("journey-metre", "value"),
        State("journey-drum", "data"),
        prevent_initial_call=True,
    )
    def way(metre: Any, of: dict[str, Any]) -> Any:
        found = context.record.drum(of["line"], of["filling"])
        if found is None or not isinstance(metre, (int, float)):
            raise PreventUpdate
        return drum.journey_table(context, found, float(metre))


def _curing(app: Dash, context: Context) -> None:
    @app.callback(Output("curing", "children"), Input("curing-turn", "n_intervals"), State("location", "pathname"))
    def turn(_n: int | None, pathname: str | None) -> Any:
        name = unquote((pathname or "").removeprefix("/line/"))
        if name not in context.configuration.lines:
            raise PreventUpdate
        return curing(context, context.configuration.lines[name])


def _settings(app: Dash, context: Context) -> None:
    @app.callback(
        Output("settings-fields", "children"), Input("settings-line", "value"), Input("settings-recipe", "value")
    )
    def fields(line: str, recipe: str) -> Any:
        return settings.fields(context, line, recipe)

    @app.callback(
        Output("settings-answer", "children"),
        Input({"type": "setting", "name": ALL}, "value"),
        State({"type": "setting", "name": ALL}, "id"),
        State("settings-line", "value"),
        State("settings-recipe", "value"),
    )
    def answer(values: list[Any], ids: list[dict[str, str]], line: str, recipe: str) -> Any:
        given = {one["name"]: value for one, value in zip(ids, values, strict=True)}
        return settings.answer(context, line, recipe, given)


def _shift(app: Dash, context: Context) -> None:
    @app.callback(Output("shift-answer", "children"), Input("shift-which", "value"))
    def answer(start: str | None) -> Any:
        return shift.answer(context, start)

    @app.callback(
        Output("shift-handovers", "children"), Input("shift-said", "children"), Input("second", "n_intervals")
    )
    def signed(_said: Any, n: int | None) -> Any:
        if ctx.triggered_id == "second" and (n or 0) % 5:
            raise PreventUpdate
        return shift.handovers(context)

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


def _cut(app: Dash, context: Context) -> None:
    @app.callback(Output("cut-drums", "data"), Output("cut-drums", "value"), Input("cut-line", "value"))
    def drums(line: str) -> Any:
        return cut.drums(context, line)

    @app.callback(
        Output("cut-answer", "children"),
        Input("cut-drums", "value"),
        Input("cut-guard", "value"),
        Input("cut-suspect", "checked"),
        State("cut-line", "value"),
    )
    def answer(chosen: list[str] | None, guard: Any, suspect: bool, line: str) -> Any:
        return cut.answer(context, line, chosen or [], guard, bool(suspect))


def _release(app: Dash, context: Context) -> None:
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
        found = release.again(context, of)
        if found is None:
            raise PreventUpdate
        return found


def _family(app: Dash, context: Context) -> None:
    @app.callback(Output("family-answer", "children"), Input("family-metre", "value"), State("family-drum", "data"))
    def follow(metre: Any, of: dict[str, Any]) -> Any:
        found = context.record.drum(of["line"], of["filling"])
        if found is None:
            raise PreventUpdate
        return family.answer(context, found, float(metre) if isinstance(metre, int | float) else None)


def _hold(app: Dash, context: Context) -> None:
    @app.callback(
        Output("hold-stream", "data"),
        Output("hold-stream", "value"),
        Input("hold-line", "value"),
        State("hold-stream", "value"),
        prevent_initial_call=True,
    )
    def streams(line: str, path: str) -> Any:
        found = hold.streams(context.configuration.lines[line])
        values = [s["value"] for s in found]
        return found, path if path in values else values[0]

    @app.callback(
        Output("hold-answer", "children"),
        Input("hold-line", "value"),
        Input("hold-stream", "value"),
        Input("hold-drums", "value"),
        Input("hold-eccentric", "value"),
        Input("hold-spread", "value"),
        Input("hold-rules", "value"),
    )
    def answer(line: str, path: str, drums: str, eccentric: Any, spread: str, rules: str) -> Any:
        if path not in context.configuration.lines[line].streams:
            raise PreventUpdate
        return hold.answer(context, line, path, drums, eccentric, spread, rules)


def _load(app: Dash, context: Context) -> None:
    @app.callback(Output("load-answer", "children"), Input("load-line", "value"), Input("load-span", "value"))
    def answer(line: str, span: str) -> Any:
        return load.answer(context, line, span)


def _trend(app: Dash, context: Context) -> None:
    @app.callback(
        Output("trend-streams", "data"),
        Output("trend-streams", "value"),
        Input("trend-line", "value"),
        State("location", "search"),
    )
    def choices(line: str, search: str | None) -> Any:
        data, usual = trend.stream_choices(context, line)
        asked = trend.choice_of(context, search or "")
        return data, list(asked.streams) if asked and asked.line == line and asked.streams else usual

    @app.callback(Output("trend-from", "display"), Output("trend-until", "display"), Input("trend-span", "value"))
    def custom(choice: str) -> tuple[str, str]:
        shown = "block" if choice == trend.CUSTOM else "none"
        return shown, shown

    @app.callback(
        Output("trend-line", "value"),
        Output("trend-span", "value"),
        Output("trend-from", "value"),
        Output("trend-until", "value"),
        Input("location", "search"),
    )
    def from_address(search: str | None) -> Any:
        """Without a choice in the address the page begins as laid out: to prevent an update would hold up the rest."""
        asked = trend.choice_of(context, search or "")
        if asked is None:
            return next(iter(context.configuration.lines)), next(iter(trend.SPANS)), None, None
        return asked.line, asked.span or no_update, asked.since, asked.until

    client: Any = app.clientside_callback
    client(
        ClientsideFunction("everymetre", "trendAddress"),
        Output("trend-again", "data-address"),
        Input("trend-line", "value"),
        Input("trend-span", "value"),
        Input("trend-streams", "value"),
        Input("trend-from", "value"),
        Input("trend-until", "value"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("trend-chart", "children"),
        Output("trend-said", "children"),
        Input("trend-streams", "value"),
        Input("trend-span", "value"),
        Input("trend-from", "value"),
        Input("trend-until", "value"),
        Input("trend-again", "n_clicks"),
        State("trend-line", "value"),
    )
    def draw(streams: list[str] | None, choice: str, since: str | None, until: str | None, _n: Any, line: str) -> Any:
        known = context.configuration.lines[line].streams
        chosen = tuple(s for s in streams or [] if s in known)
        if not chosen:
            return None, "Choose at least one stream."
        span = trend.span_ms(context, choice, since, until)
        if isinstance(span, str):
            return None, span
        return trend.answer(context, trend.Asked(line, chosen, *span))
