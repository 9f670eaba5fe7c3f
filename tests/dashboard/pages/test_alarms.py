"""The page Alarms: the form offers what the state of an alarm allows, and says what to do about it."""

from types import SimpleNamespace
from typing import Any

import pytest
from dash import no_update
from dash.exceptions import PreventUpdate

from dashboard.actions.operator import SHELVE_MIN
from dashboard.context import Context
from dashboard.pages.alarms import callbacks, layout
from dashboard.queries.alarm_list import SPANS_H
from tests.dashboard.actions.test_operator import key_of
from tests.dashboard.page_text import json_of, text_of


def test_the_browser_gets_every_span_of_the_history_and_the_form_every_duration(context):
    shown = json_of(layout.content(context))
    assert f'"data-spans": "{",".join(f"{name}={hours}" for name, hours in SPANS_H.items())}"' in shown
    for value, label in SHELVE_MIN.items():
        assert f'{{"value": "{value}", "label": "{label}"}}' in shown


@pytest.mark.parametrize(
    ("alarm", "acknowledge", "shelve", "unshelve"),
    [
        ("oven-a/temperature/LO", True, True, False),  # unacknowledged
        ("head/pressure/HI", False, True, False),  # acknowledged
        ("dancer/position/missing", False, False, True),  # shelved
        ("hot-gauge/diameter/LO", True, True, False),  # returned to normal unacknowledged
    ],
)
def test_the_form_offers_what_the_state_allows_and_forgets_the_reason_of_another(
    context, alarm, acknowledge, shelve, unshelve
):
    key = key_of(context, alarm)
    opened, about, chosen, said, *disabled, reason = callbacks.choose(context, {"key": key})
    assert (opened, chosen, said, reason) == (True, key, "", "")
    assert disabled == [not acknowledge, not shelve, not unshelve]
    assert text_of(about)


@pytest.mark.parametrize("asked", [None, {}, {"key": "core-1|no/such|1"}])
def test_an_alarm_that_is_not_there_opens_no_form(context, asked):
    with pytest.raises(PreventUpdate):
        callbacks.choose(context, asked)


def test_what_is_answered_is_named_with_its_response(context):
    line = context.configuration.lines["core-2"]
    alarm = next(a for a in context.record.alarms_now() if a.alarm == "oven-a/temperature/LO")
    response = next(w for w in context.recipes("core-2")["core-1g5"].window if w.stream == "oven-a/temperature").low
    text = text_of(layout.about(context, alarm))
    assert line.title in text
    assert response is not None
    for words in (response.corrective_action, response.cause, response.consequence):
        assert words in text


def pressed(
    context: Context,
    monkeypatch: pytest.MonkeyPatch,
    button: Any,
    key: Any,
    reason: str = "",
    sent: Any = None,
    clicks: int | None = 1,
) -> Any:
    monkeypatch.setattr(callbacks, "ctx", SimpleNamespace(triggered=[{"value": clicks}], triggered_id=button))
    return callbacks.answer(context, 1, None, None, key, "Mira", reason, "60", sent)


def test_an_answer_is_sent_kept_until_confirmed_and_closes_the_form(context, gateway, monkeypatch):
    key = key_of(context, "oven-a/temperature/LO")
    earlier = [{"key": f"k{i}", "action": "acknowledge", "t": i, "state": "x"} for i in range(60)]
    opened, kept, wrong, said = pressed(context, monkeypatch, "do-acknowledge", key, sent=earlier)
    assert (opened, wrong, said) == (False, "", "Acknowledgement sent, awaiting confirmation.")
    assert kept[:-1] == earlier[-50:]  # the browser's list does not grow for ever
    assert kept[-1]["key"] == key
    assert [a.action for _, a in gateway.sent] == ["acknowledge"]


def test_what_is_rejected_stays_in_the_form_with_its_reason(context, gateway, monkeypatch):
    key = key_of(context, "oven-a/temperature/LO")
    opened, kept, wrong, said = pressed(context, monkeypatch, "do-shelve", key)
    assert (opened, kept, said) == (no_update, no_update, no_update)
    assert wrong.startswith("Enter a reason")
    assert gateway.sent == []


@pytest.mark.parametrize(("key", "clicks"), [("", 1), (None, 1), ("any", None)])
def test_without_a_chosen_alarm_or_a_press_nothing_is_sent(context, gateway, monkeypatch, key, clicks):
    """Dash calls when a button is drawn: that is no press."""
    with pytest.raises(PreventUpdate):
        pressed(context, monkeypatch, "do-acknowledge", key, clicks=clicks)
    assert gateway.sent == []
