"""Callbacks are functions of their module: an application binds them to its own context, in their order."""

import ast
from pathlib import Path
from typing import Any

import pytest
from dash import Dash, Input, Output, State, html

from dashboard import pages
from dashboard.callbacks import Callbacks
from dashboard.context import Context
from dashboard.pages.recurrence import callbacks as recurrence
from dashboard.pages.recurrence import layout
from dashboard.pages.recurrence.layout import RecurrenceResult

PAGES = Path(pages.__file__).parent


def bound(callbacks: Callbacks, context: Context) -> Dash:
    app = Dash("one", assets_folder="none")
    app.layout = html.Div()
    callbacks.register(app, context)
    return app


def ask(app: Dash, output: str, **inputs: object) -> object:
    """What the browser gets for an output when its inputs hold these values."""
    (listed,) = [c for c in app._callback_list if c["output"] == output]
    values = {i["id"]: {**i, "value": inputs[i["id"]]} for i in (*listed["inputs"], *listed["state"])}
    asked = {
        "output": output, "outputs": {"id": output.split(".")[0], "property": output.split(".")[1]},
        "inputs": [values[i["id"]] for i in listed["inputs"]], "state": [values[i["id"]] for i in listed["state"]],
        "changedPropIds": [],
    }  # fmt: skip
    reply = app.server.test_client().post("/_dash-update-component", json=asked)
    assert reply.status_code == 200, reply.text
    return reply.get_json()["response"][output.split(".")[0]]


def test_each_application_gives_its_own_context(context: Context) -> None:
    callbacks = Callbacks()

    @callbacks(Output("o", "children"), Input("i", "value"), State("s", "value"))
    def shown(context: Context, i: int, s: int) -> str:
        return f"{context.now_ms} {i} {s}"

    app = bound(callbacks, context)
    assert ask(app, "o.children", i=1, s=2) == {"children": f"{context.now_ms} 1 2"}
    assert shown(context, 3, 4) == f"{context.now_ms} 3 4"  # and it is still a function


def test_inputs_by_name_come_as_they_are_grouped(context: Context) -> None:
    callbacks = Callbacks()

    @callbacks(Output("o", "children"), inputs={"i": Input("i", "value"), "form": {"s": State("s", "value")}})
    def shown(_context: Context, *, i: int, form: dict[str, int]) -> str:
        return f"{i} {form}"

    app = bound(callbacks, context)
    (listed,) = app._callback_list
    assert ask(app, listed["output"], i=1, s=2) == {"children": "1 {'s': 2}"}


@pytest.mark.parametrize("path", sorted(PAGES.glob("*/callbacks.py")), ids=lambda p: p.parent.name)
def test_no_function_of_a_page_holds_callbacks_inside(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    functions = [f for f in tree.body if isinstance(f, ast.FunctionDef)]
    inner = [g.name for f in functions for g in ast.walk(f) if isinstance(g, ast.FunctionDef) and g is not f]
    assert inner == []
    assert functions


def test_e8_the_fold_is_of_the_answer_to_the_same_question(context: Context) -> None:
    """Two people with other bounds of the period see their own points."""
    empty = layout.answer(context, "core-1", "event:", "20", 0.4, 20.0)
    mine, theirs = (
        RecurrenceResult(parts=[], more=[], x=empty.x, shade=empty.x, shade_at=empty.x, period=p, unit="m")
        for p in (1.5, 2.5)
    )
    context.answers.put(("recurring", "core-1", "event:", "20", 0.4, 20.0), mine)
    context.answers.put(("recurring", "core-1", "event:", "20", 1.0, 20.0), theirs)
    assert context.answers.get(("recurring", "core-1", "event:", "20", 0.4, 20.0), RecurrenceResult) is mine
    drawn: Any
    nothing: Any
    drawn, _ = recurrence.fold(context, 1.5, False, "core-1", "event:", "20", 0.4, 20.0)
    assert drawn.data
    nothing, hidden = recurrence.fold(context, 1.5, False, "core-1", "event:", "20", 0.5, 20.0)
    assert not nothing.data
    assert hidden == {"display": "none"}
