"""Callbacks of the page Limits."""

from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, no_update
from dash.exceptions import PreventUpdate

from dashboard.actions import proposals
from dashboard.actions.answers import NotDoneError
from dashboard.context import Context
from dashboard.jobs import TooManyError
from dashboard.pages.limits import layout
from dashboard.text.numbers import NotANumberError, read_number
from monitor.analysis.rehearse import Asked, AskedLimit
from monitor.contract.config.limits import LimitsError, limits_of, with_limits
from monitor.contract.config.recipe import Recipe


def register(app: Dash, context: Context) -> None:
    """All of them."""
    _choosing(app, context)
    _running(app, context)
    _deciding(app, context)


def _recipe(context: Context, line: str, name: str) -> Recipe:
    found = context.recipes(line).get(name) if line in context.configuration.lines else None
    if found is None:
        raise PreventUpdate
    return found


def _choosing(app: Dash, context: Context) -> None:
    @app.callback(Output("limits-span", "data"), Output("limits-span", "value"), Input("limits-line", "value"))
    def spans(line: str) -> Any:
        return layout.spans(context, line), "1 h"

    @app.callback(Output("limits-recipe", "data"), Output("limits-recipe", "value"), Input("limits-line", "value"))
    def recipes(line: str) -> Any:
        found = context.recipes(line)
        now = context.line_now(line)
        runs = now.recipe if now and now.recipe in found else next(iter(found))
        return [{"value": n, "label": f"{r.title}, revision {r.revision}"} for n, r in found.items()], runs

    @app.callback(
        Output("limits-group", "data"),
        Output("limits-group", "value"),
        Input("limits-recipe", "value"),
        State("limits-line", "value"),
        State("limits-group", "value"),
    )
    def groups(recipe: str, line: str, group: str | None) -> Any:
        found = layout.groups(context, line, _recipe(context, line, recipe))
        values = [g["value"] for g in found]
        temperature = next((v for v in values if v.endswith("/temperature")), values[0])
        return found, group if group in values else temperature

    @app.callback(
        Output("limits-fields", "children"),
        Input("limits-group", "value"),
        Input("limits-recipe", "value"),
        Input("limits-clear", "n_clicks"),
        Input({"type": "take", "what": ALL}, "n_clicks"),
        State("limits-line", "value"),
        State("limits-changes", "data"),
    )
    def fields(group: str, recipe: str, _n: Any, _t: Any, line: str, changes: dict[str, Any]) -> Any:
        found = _recipe(context, line, recipe)
        kept = _after(changes, group, found, ctx.triggered_id)
        return layout.fields(context, line, found, group, kept)

    @app.callback(
        Output("limits-changes", "data"),
        Output("limits-changed", "children"),
        Output({"type": "limit", "key": ALL}, "error"),
        Output("limits-wrong", "data"),
        Input({"type": "limit", "key": ALL}, "value"),
        Input("limits-clear", "n_clicks"),
        Input({"type": "take", "what": ALL}, "n_clicks"),
        State({"type": "limit", "key": ALL}, "id"),
        Input("limits-recipe", "value"),
        State("limits-line", "value"),
        State("limits-group", "value"),
        State("limits-changes", "data"),
    )
    def changed(
        values: list[Any], _c: Any, _t: Any, ids: list[dict[str, str]], recipe: str, line: str, group: str, changes: Any
    ) -> Any:
        found = _recipe(context, line, recipe)
        if ctx.triggered_id in ("limits-clear", "limits-recipe"):
            return {}, layout.changed(context, line, found, {}), [None] * len(ids), {}
        present = limits_of(found)
        kept = {k: v for k, v in (changes or {}).items() if k in present}
        kept = _after(kept, group, found, ctx.triggered_id)
        wrong: dict[str, str] = {}
        if not (isinstance(ctx.triggered_id, dict) and ctx.triggered_id.get("type") == "take"):
            typed = {one["key"]: value for one, value in zip(ids, values, strict=True)}
            kept, wrong = layout.read(context, line, found, kept, typed)
        return kept, layout.changed(context, line, found, kept), [wrong.get(one["key"]) for one in ids], wrong


def _set(kept: dict[str, Any], present: dict[str, Any], key: str, value: float | None) -> dict[str, Any]:
    if key not in present:
        return kept
    rest = {k: v for k, v in kept.items() if k != key}
    return rest if present[key] == value else rest | {key: value}


def _after(changes: dict[str, Any], group: str, recipe: Recipe, triggered: Any) -> dict[str, Any]:
    """Changes as a suggestion that was taken, or a click that puts all back, leaves them."""
    if triggered == "limits-clear":
        return {}
    if isinstance(triggered, dict) and triggered.get("type") == "take" and any(t["value"] for t in ctx.triggered):
        of, band, delay = triggered["what"].split("|")
        present = limits_of(recipe)
        changes = _set(changes, present, f"{of}/deadband", float(band))
        changes = _set(changes, present, f"{of}/on_delay_m", None)
        return _set(changes, present, f"{of}/on_delay_s", float(delay))
    return dict(changes or {})


def _running(app: Dash, context: Context) -> None:
    @app.callback(
        Output("limits-job", "data"),
        Output("limits-tick", "disabled"),
        Output("limits-progress", "children"),
        Output("limits-result", "children"),
        Output("limits-words", "data"),
        Output("limits-go", "disabled"),
        Output("limits-stop", "disabled"),
        Input("limits-go", "n_clicks"),
        Input("limits-suggest", "n_clicks"),
        Input("limits-stop", "n_clicks"),
        Input("limits-tick", "n_intervals"),
        State("limits-job", "data"),
        State("limits-line", "value"),
        State("limits-recipe", "value"),
        State("limits-group", "value"),
        State("limits-span", "value"),
        State("limits-cure", "checked"),
        State("limits-changes", "data"),
        State("limits-most", "value"),
        State("limits-lines", "checked"),
        State("limits-which", "value"),
        State("limits-alone", "checked"),
        State("limits-wrong", "data"),
        prevent_initial_call=True,
    )
    def run(
        _g: Any, _s: Any, _x: Any, _t: Any, key: str | None, line: str, recipe: str, group: str, span: str, cure: bool,
        changes: dict[str, Any], most: Any, everywhere: bool, which: str, alone: bool, wrong: dict[str, str],
    ) -> Any:  # fmt: skip
        bench = context.bench
        if bench is None:
            return key, True, "Rehearsals are not set up here.", no_update, None, False, True
        what = ctx.triggered_id
        if what in ("limits-go", "limits-suggest"):
            try:
                _all_read(wrong)
                found = _recipe(context, line, recipe)
                start, end = layout.span_ms(context, line, span)
                asked: Asked | AskedLimit
                if what == "limits-suggest":
                    asked = _asked_limit(found, line, group, which, (start, end), most)
                else:
                    with_limits(found, changes or {})
                    of_kind = tuple(_lines(context, line, bool(everywhere)))
                    stream = _stream_alone(group, changes or {}) if alone else None
                    asked = Asked(
                        line, start, end, {recipe: changes} if changes else {}, bool(cure), of_kind, None, stream
                    )
                key = bench.begin(asked)
            except (LimitsError, TooManyError, NotDoneError) as error:
                return no_update, True, str(error), no_update, None, False, True
            return key, False, layout.progress(bench.look(key)), [], None, True, False
        if what == "limits-stop" and key:
            bench.stop(key)
        job = bench.look(key or "")
        if job is None or not job.over:
            return no_update, job is None, layout.progress(job), no_update, no_update, job is not None, job is None
        if job.failed:
            return key, True, layout.progress(job), [], None, False, True
        if isinstance(job.asked, AskedLimit):
            return key, True, None, layout.suggestion(context, job.asked, job.result), None, False, True
        shown, said = layout.comparison(context, job.asked, job.result, group)
        about = {"line": job.asked.line, "changes": {n: dict(c) for n, c in job.asked.changes.items()}, "words": said}
        return key, True, None, shown, about, False, True


def _asked_limit(recipe: Recipe, line: str, group: str, which: str, span_ms: tuple[int, int], most: Any) -> AskedLimit:
    kind, _, path = group.partition("/")
    if kind != "window" or limits_of(recipe).get(f"{group}/{which.lower()}") is None:
        raise NotDoneError(
            f"A deadband and a delay are suggested for a limit that is set: {which} is not, in this choice."
        )
    try:
        most_per_shift = read_number(most)
    except NotANumberError as error:
        raise NotDoneError(f"Nuisance alarms per shift: {error}") from error
    if most_per_shift is None or most_per_shift < 0:
        raise NotDoneError("Nuisance alarms per shift: expected a number of at least 0.")
    return AskedLimit(line, f"{path}/{which}", *span_ms, most_per_shift, recipe.recipe)


def _all_read(wrong: dict[str, str] | None) -> None:
    """NotDoneError while a field holds what cannot be taken: what is rehearsed would not be what is on the screen."""
    if wrong:
        key, problem = next(iter(wrong.items()))
        raise NotDoneError(f"{layout.said(key.rpartition('/')[2])}: {problem}")


def _stream_alone(group: str, changes: dict[str, Any]) -> str:
    kind, _, path = group.partition("/")
    others = [key for key in changes if not key.startswith(f"{group}/")]
    if kind != "window" or others:
        raise NotDoneError("A stream alone has its own window only: choose one, and put other changes back.")
    return path


def _deciding(app: Dash, context: Context) -> None:
    @app.callback(
        Output("limits-proposals", "children"),
        Output("limits-in-force", "children"),
        Input("limits-turn", "n_intervals"),
        Input("limits-sent", "data"),
    )
    def turn(_n: Any, _s: Any) -> Any:
        return layout.proposals(context), layout.in_force(context)

    @app.callback(
        Output("limits-said", "children"),
        Output("limits-sent", "data"),
        Output("limits-reason", "value"),
        Input("limits-propose", "n_clicks"),
        Input({"type": "decide", "what": ALL, "proposal": ALL, "line": ALL, "recipe": ALL}, "n_clicks"),
        Input({"type": "back", "line": ALL, "recipe": ALL, "to": ALL}, "n_clicks"),
        State("limits-by", "value"),
        State("limits-reason", "value"),
        State("limits-all", "checked"),
        State("limits-line", "value"),
        State("limits-recipe", "value"),
        State("limits-changes", "data"),
        State("limits-words", "data"),
        State("limits-wrong", "data"),
        prevent_initial_call=True,
    )
    def act(
        _p: Any,
        _d: Any,
        _b: Any,
        by: str,
        reason: str,
        everywhere: bool,
        line: str,
        recipe: str,
        changes: Any,
        about: Any,
        wrong: dict[str, str],
    ) -> Any:
        if not any(t["value"] for t in ctx.triggered):
            raise PreventUpdate
        done = ctx.triggered_id
        try:
            if done == "limits-propose":
                _all_read(wrong)
                said = proposals.propose(
                    context, _lines(context, line, bool(everywhere)), recipe, changes or {}, by, reason,
                    _words(about, recipe, changes or {}),
                )  # fmt: skip
            elif done["type"] == "decide":
                said = proposals.decide(
                    context, done["line"], done["recipe"], done["proposal"], done["what"], by, reason
                )
            else:
                said = proposals.go_back(context, done["line"], done["recipe"], int(done["to"]), by, reason)
        except NotDoneError as error:
            return str(error), no_update, no_update
        return said, context.now_ms, ""


def _lines(context: Context, line: str, everywhere: bool) -> list[str]:
    lines = context.configuration.lines
    return [n for n, x in lines.items() if x.kind == lines[line].kind] if everywhere else [line]


def _words(about: Any, recipe: str, changes: dict[str, Any]) -> str:
    """The rehearsal's words, if it was of these very limits."""
    same = about and about["changes"].get(recipe) == changes
    return str(about["words"]) if same else ""
