"""Callbacks of the page Limits."""

from collections.abc import Mapping

import msgspec
from dash import ALL, Input, Output, State, ctx, no_update
from dash.development.base_component import Component
from dash.exceptions import PreventUpdate

from dashboard.actions import proposals
from dashboard.actions.operator import RejectedActionError
from dashboard.callbacks import Callbacks, Updates
from dashboard.context import Context
from dashboard.jobs import Bench, TooManyError
from dashboard.pages.limits import layout
from dashboard.pages.limits.layout import Values
from dashboard.text.number_entry import NotANumberError, read_number
from monitor.analysis.rehearse import Asked, AskedLimit
from monitor.contract.config.limits import LimitsError, limits_of, with_limits
from monitor.contract.config.recipe import Recipe

CALLBACKS = Callbacks()


class Form(msgspec.Struct, frozen=True, kw_only=True):
    """The choices on the page, and the entered values: `changes` by key of a limit, `wrong` those that are invalid."""

    line: str
    recipe: str
    group: str
    span: str
    which: str
    most: object
    cure: bool | None
    everywhere: bool | None
    alone: bool | None
    changes: dict[str, float | None] | None
    wrong: dict[str, str] | None


FORM = {
    "line": State("limits-line", "value"),
    "recipe": State("limits-recipe", "value"),
    "group": State("limits-group", "value"),
    "span": State("limits-span", "value"),
    "which": State("limits-which", "value"),
    "most": State("limits-most", "value"),
    "cure": State("limits-cure", "checked"),
    "everywhere": State("limits-lines", "checked"),
    "alone": State("limits-alone", "checked"),
    "changes": State("limits-changes", "data"),
    "wrong": State("limits-wrong", "data"),
}


class Rehearsed(msgspec.Struct, frozen=True, kw_only=True):
    """Of what limits the rehearsal on the screen was, and its result in words."""

    line: str
    changes: dict[str, dict[str, float | None]]
    words: str


def _recipe(context: Context, line: str, name: str) -> Recipe:
    found = context.recipes(line).get(name) if line in context.configuration.lines else None
    if found is None:
        raise PreventUpdate
    return found


# ---- choosing -----------------------------------------------------------------------------------------------------


@CALLBACKS(Output("limits-span", "data"), Output("limits-span", "value"), Input("limits-line", "value"))
def spans(context: Context, line: str) -> Updates:
    return layout.spans(context, line), "1 h"


@CALLBACKS(Output("limits-recipe", "data"), Output("limits-recipe", "value"), Input("limits-line", "value"))
def recipes(context: Context, line: str) -> Updates:
    found = context.recipes(line)
    now = context.line_now(line)
    runs = now.recipe if now and now.recipe in found else next(iter(found))
    return [{"value": n, "label": f"{r.title}, revision {r.revision}"} for n, r in found.items()], runs


@CALLBACKS(
    Output("limits-group", "data"),
    Output("limits-group", "value"),
    Input("limits-recipe", "value"),
    State("limits-line", "value"),
    State("limits-group", "value"),
)
def groups(context: Context, recipe: str, line: str, group: str | None) -> Updates:
    found = layout.groups(context, line, _recipe(context, line, recipe))
    values = [g["value"] for g in found]
    temperature = next((v for v in values if v.endswith("/temperature")), values[0])
    return found, group if group in values else temperature


@CALLBACKS(
    Output("limits-fields", "children"),
    Input("limits-group", "value"),
    Input("limits-recipe", "value"),
    Input("limits-clear", "n_clicks"),
    Input({"type": "take", "what": ALL}, "n_clicks"),
    State("limits-line", "value"),
    State("limits-changes", "data"),
)
def fields(
    context: Context, group: str, recipe: str, _n: object, _t: object, line: str, changes: Values | None
) -> Component:
    found = _recipe(context, line, recipe)
    return layout.fields(context, line, found, group, _after(changes, found, ctx.triggered_id))


@CALLBACKS(
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
    State("limits-changes", "data"),
)
def changed(
    context: Context, values: list[object], _c: object, _t: object, ids: list[dict[str, str]], recipe: str, line: str,
    changes: Values | None,
) -> Updates:  # fmt: skip
    found = _recipe(context, line, recipe)
    if ctx.triggered_id in ("limits-clear", "limits-recipe"):
        return {}, layout.changed(context, line, found, {}), [None] * len(ids), {}
    present = limits_of(found)
    kept = _after({k: v for k, v in (changes or {}).items() if k in present}, found, ctx.triggered_id)
    wrong: dict[str, str] = {}
    if not (isinstance(ctx.triggered_id, dict) and ctx.triggered_id.get("type") == "take"):
        typed = {one["key"]: value for one, value in zip(ids, values, strict=True)}
        kept, wrong = layout.read(context, line, found, kept, typed)
    return kept, layout.changed(context, line, found, kept), [wrong.get(one["key"]) for one in ids], wrong


def _set(kept: Values, present: Values, key: str, value: float | None) -> Values:
    if key not in present:
        return kept
    rest = {k: v for k, v in kept.items() if k != key}
    return rest if present[key] == value else rest | {key: value}


def _after(changes: Values | None, recipe: Recipe, triggered: object) -> Values:
    """Changes after a suggestion was used, or after a reset."""
    if triggered == "limits-clear":
        return {}
    kept: Values = dict(changes or {})
    if isinstance(triggered, dict) and triggered.get("type") == "take" and any(t["value"] for t in ctx.triggered):
        of, band, delay = triggered["what"].split("|")
        present = limits_of(recipe)
        kept = _set(kept, present, f"{of}/deadband", float(band))
        kept = _set(kept, present, f"{of}/on_delay_m", None)
        kept = _set(kept, present, f"{of}/on_delay_s", float(delay))
    return kept


# ---- running ------------------------------------------------------------------------------------------------------


@CALLBACKS(
    Output("limits-job", "data"),
    Output("limits-tick", "disabled"),
    Output("limits-progress", "children"),
    Output("limits-result", "children"),
    Output("limits-words", "data"),
    Output("limits-go", "disabled"),
    Output("limits-stop", "disabled"),
    inputs={
        "_clicks": [Input(f"limits-{name}", "n_clicks") for name in ("go", "suggest", "stop")],
        "_tick": Input("limits-tick", "n_intervals"),
        "key": State("limits-job", "data"),
        "form": FORM,
    },
    prevent_initial_call=True,
)
def run(context: Context, *, _clicks: object, _tick: object, key: str | None, form: Mapping[str, object]) -> Updates:
    bench, what, filled = context.bench, ctx.triggered_id, msgspec.convert(form, Form)
    if bench is None:
        return _ended(key, "Rehearsals are not available here.", no_update)
    if what in ("limits-go", "limits-suggest"):
        try:
            asked = _limit_asked(context, filled) if what == "limits-suggest" else _asked(context, filled)
            begun = bench.begin(asked)
        except (LimitsError, TooManyError, RejectedActionError) as error:
            return _ended(no_update, str(error), no_update)
        return begun, False, layout.progress(bench.look(begun)), [], None, True, False
    if what == "limits-stop" and key:
        bench.stop(key)
    return _so_far(context, bench, key or "", filled.group)


def _ended(key: object, progress: object, result: object, about: object = None) -> Updates:
    """Nothing runs: what is shown, with the timer stopped."""
    return key, True, progress, result, about, False, True


def _so_far(context: Context, bench: Bench, key: str, group: str) -> Updates:
    """The result of a job, or its progress."""
    job = bench.look(key)
    if job is None:
        return _ended(no_update, None, no_update, no_update)
    if not job.over:
        return no_update, False, layout.progress(job), no_update, no_update, True, False
    if job.failed or job.result is None:
        return _ended(key, layout.progress(job), [])
    if isinstance(job.asked, AskedLimit):
        return _ended(key, None, layout.suggestion(context, job.asked, job.result))
    shown, words = layout.comparison(context, job.asked, job.result, group)
    changes = {name: dict(of) for name, of in job.asked.changes.items()}
    return _ended(key, None, shown, msgspec.to_builtins(Rehearsed(line=job.asked.line, changes=changes, words=words)))


def _asked(context: Context, form: Form) -> Asked:
    """A rehearsal of the changes. Raises RejectedActionError and LimitsError where it is not possible."""
    _all_read(form)
    changes = form.changes or {}
    with_limits(_recipe(context, form.line, form.recipe), changes)
    start, end = layout.span_ms(context, form.line, form.span)
    stream = _stream_alone(form.group, changes) if form.alone else None
    lines = tuple(_lines(context, form.line, bool(form.everywhere)))
    of = {form.recipe: changes} if changes else {}
    return Asked(
        line=form.line,
        start_ms=start,
        end_ms=end,
        changes=of,
        with_cure=bool(form.cure),
        more_lines=lines,
        known=None,
        stream=stream,
    )


def _limit_asked(context: Context, form: Form) -> AskedLimit:
    """Search a deadband and a delay for one limit. Raises RejectedActionError where it is not possible."""
    _all_read(form)
    recipe, (kind, _, path) = _recipe(context, form.line, form.recipe), form.group.partition("/")
    if kind != "window" or limits_of(recipe).get(f"{form.group}/{form.which.lower()}") is None:
        raise RejectedActionError(
            f"A deadband and a delay are suggested for a limit that is set: {form.which} is not, in this choice."
        )
    try:
        most = read_number(form.most)
    except NotANumberError as error:
        raise RejectedActionError(f"Nuisance alarms per shift: {error}") from error
    if most is None or most < 0:
        raise RejectedActionError("Nuisance alarms per shift: expected a number of at least 0.")
    start_ms, end_ms = layout.span_ms(context, form.line, form.span)
    return AskedLimit(
        line=form.line, limit=f"{path}/{form.which}", start_ms=start_ms, end_ms=end_ms, most_per_shift=most,
        recipe=recipe.recipe,
    )  # fmt: skip


def _all_read(form: Form) -> None:
    """RejectedActionError while a field is invalid: what is rehearsed would not be what is on the screen."""
    if form.wrong:
        key, problem = next(iter(form.wrong.items()))
        raise RejectedActionError(f"{layout.limit_name(key.rpartition('/')[2])}: {problem}")


def _stream_alone(group: str, changes: Values) -> str:
    kind, _, path = group.partition("/")
    others = [key for key in changes if not key.startswith(f"{group}/")]
    if kind != "window" or others:
        raise RejectedActionError("This stream only: choose a stream's limits, and reset all other changes.")
    return path


# ---- deciding -----------------------------------------------------------------------------------------------------


@CALLBACKS(
    Output("limits-proposals", "children"),
    Output("limits-in-force", "children"),
    Input("limits-turn", "n_intervals"),
    Input("limits-sent", "data"),
)
def turn(context: Context, _n: object, _s: object) -> tuple[Component, Component]:
    return layout.proposals(context), layout.in_force(context)


@CALLBACKS(
    Output("limits-message", "children"),
    Output("limits-sent", "data"),
    Output("limits-reason", "value"),
    inputs={
        "_clicks": [
            Input("limits-propose", "n_clicks"),
            Input({"type": "decide", "what": ALL, "proposal": ALL, "line": ALL, "recipe": ALL}, "n_clicks"),
            Input({"type": "back", "line": ALL, "recipe": ALL, "to": ALL}, "n_clicks"),
        ],
        "by": State("limits-by", "value"),
        "reason": State("limits-reason", "value"),
        "about": State("limits-words", "data"),
        "everywhere": State("limits-all", "checked"),
        "form": FORM,
    },
    prevent_initial_call=True,
)
def act(
    context: Context, *, _clicks: object, by: str, reason: str, about: object, everywhere: bool | None,
    form: Mapping[str, object],
) -> Updates:  # fmt: skip
    if not any(t["value"] for t in ctx.triggered):
        raise PreventUpdate
    done, filled = ctx.triggered_id, msgspec.convert(form, Form)
    try:
        if done == "limits-propose":
            _all_read(filled)
            lines, changes = _lines(context, filled.line, bool(everywhere)), filled.changes or {}
            words = _words(about, filled.recipe, changes)
            message = proposals.propose(context, lines, filled.recipe, changes, by, reason, words)
        elif done["type"] == "decide":
            message = proposals.decide(
                context, done["line"], done["recipe"], done["proposal"], done["what"], by, reason
            )
        else:
            message = proposals.go_back(context, done["line"], done["recipe"], int(done["to"]), by, reason)
    except RejectedActionError as error:
        return str(error), no_update, no_update
    return message, context.now_ms, ""


def _lines(context: Context, line: str, everywhere: bool) -> list[str]:
    lines = context.configuration.lines
    return [n for n, x in lines.items() if x.kind == lines[line].kind] if everywhere else [line]


def _words(about: object, recipe: str, changes: Values) -> str:
    """The rehearsal's summary, if it was of exactly these limits."""
    rehearsed = msgspec.convert(about, Rehearsed) if about else None
    return rehearsed.words if rehearsed and rehearsed.changes.get(recipe) == changes else ""
