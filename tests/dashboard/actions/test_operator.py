"""Actions of people: what is sent for each, and what is rejected before it is sent."""

import re

import pytest
from flask import g

from dashboard.actions.operator import RejectedActionError, note_resistance, send_response, sign_record
from dashboard.context import Context
from dashboard.gateway import NotSentError
from dashboard.queries import alarm_list
from dashboard.web.accounts import Person
from monitor.contract.messages import Action
from tests.dashboard.conftest import NOW_S

NOW_MS = round(NOW_S * 1e3)


def key_of(context: Context, name: str) -> str:
    return next(alarm_list.key_of(a) for a in context.record.alarms_now() if a.alarm == name)


@pytest.mark.parametrize(
    ("decision", "by", "reason", "says"),
    [
        (None, "Mira", "x", "Choose a decision"),
        ("release", "", "x", "Enter your name"),
        ("release", "Mira", " ", "reason"),
    ],
)
def test_a_decision_that_lacks_something_is_not_sent(context, gateway, drum, decision, by, reason, says):
    with pytest.raises(RejectedActionError, match=says):
        sign_record(context, "core-1", drum.filling, decision, by, reason)
    assert gateway.sent == []


def test_a_decision_and_a_resistance_name_the_drum_and_its_metres(context, gateway, drum):
    sign_record(context, "core-1", drum.filling, "release", "Mira", "all seen")
    note_resistance(context, "core-1", drum.filling, 2.5, 21, "Olle")
    (_, signed), (_, noted) = gateway.sent
    assert (signed.drum, signed.decision, signed.start_m, signed.end_m) == (
        drum.drum, "release", drum.start_m, drum.end_m,
    )  # fmt: skip
    assert (noted.ohm, noted.at_C, noted.recipe, noted.drum) == (2.5, 21.0, drum.recipe, drum.drum)


@pytest.mark.parametrize(
    ("ohm", "at_C", "says"), [(0, 20, "above 0"), (None, 20, "above 0"), (1.0, 200, "temperature")]
)
def test_a_resistance_that_cannot_be_is_not_sent(context, gateway, drum, ohm, at_C, says):
    with pytest.raises(RejectedActionError, match=says):
        note_resistance(context, "core-1", drum.filling, ohm, at_C, "Olle")
    assert gateway.sent == []


def test_nothing_is_decided_of_a_drum_that_is_being_wound(context, record):
    wound = next(d for d in record.drums("core-1") if d.end_m is None)
    with pytest.raises(RejectedActionError, match="still being wound"):
        sign_record(context, "core-1", wound.filling, "hold", "Mira", "x")
    with pytest.raises(RejectedActionError, match="still being wound"):
        note_resistance(context, "core-1", wound.filling, 1.0, 20, "Mira")


def test_acknowledging_sends_who_why_and_which_raising(context, gateway):
    key = key_of(context, "oven-a/temperature/LO")
    done = send_response(context, key, "acknowledge", " K. Berg ", "called maintenance", "60")
    (line, action) = gateway.sent[0]
    assert line == "core-2"
    assert (action.action, action.by, action.reason) == ("acknowledge", "K. Berg", "called maintenance")
    assert (action.alarm, action.occurrence) == ("oven-a/temperature/LO", NOW_MS - 95_000)
    assert (action.n, action.t, action.until) == (NOW_MS, NOW_MS, None)
    assert done == {"key": key, "action": "acknowledge", "t": NOW_MS, "state": "unacknowledged"}


def test_shelving_sends_until_when(context, gateway):
    send_response(context, key_of(context, "head/pressure/HI"), "shelve", "K. Berg", "screen change", "240")
    assert gateway.sent[0][1].until == NOW_MS + 4 * 3_600_000


@pytest.mark.parametrize(
    ("action", "by", "reason", "minutes", "said"),
    [
        ("acknowledge", "", "", "60", "Enter your name"),
        ("acknowledge", "   ", "", "60", "Enter your name"),
        ("shelve", "K. Berg", "", "60", "Enter a reason"),
        ("shelve", "K. Berg", "why", None, "Choose a duration"),
        ("shelve", "K. Berg", "why", "-5", "Choose a duration"),
    ],
)
def test_an_incomplete_answer_is_not_sent(context, gateway, action, by, reason, minutes, said):
    key = key_of(context, "oven-a/temperature/LO")
    with pytest.raises(RejectedActionError, match=re.escape(said)):
        send_response(context, key, action, by, reason, minutes)
    assert gateway.sent == []


def test_an_alarm_raised_again_meanwhile_is_not_answered(context, gateway):
    key = key_of(context, "oven-a/temperature/LO").replace("|1764", "|1763")
    with pytest.raises(RejectedActionError, match="changed"):
        send_response(context, key, "acknowledge", "K. Berg", "", "60")
    assert gateway.sent == []


def test_a_broker_that_is_away_is_reported_to_the_person(context, monkeypatch):
    def refuse(line: str, action: Action) -> None:
        raise NotSentError("Not sent: no broker.")

    monkeypatch.setattr(context.gateway, "send", refuse)
    key = key_of(context, "oven-a/temperature/LO")
    with pytest.raises(RejectedActionError, match=r"^Not sent: no broker\.$"):
        send_response(context, key, "acknowledge", "K. Berg", "", "60")


def test_who_may_only_look_does_not_answer_and_who_may_bears_their_own_name(app, context, accounts, gateway):
    with app.server.test_request_context():
        g.person = Person("Olle", "look")
        with pytest.raises(
            RejectedActionError, match="The account Olle has the role 'look'; 'answer alarms' is required"
        ):
            send_response(context, "x", "acknowledge", "somebody else", "", None)
        g.person = Person("Mira", "answer alarms")
        with pytest.raises(RejectedActionError, match="Enter a reason: others must know why this alarm is shelved"):
            send_response(context, "x", "shelve", "somebody else", "", None)
    assert gateway.sent == []
