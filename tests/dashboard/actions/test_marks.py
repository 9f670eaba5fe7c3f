"""Metres marked on the page of a drum (D4: alarms ask to mark the metres, and no page could)."""

import pytest

from dashboard.actions.marks import mark_metres, marks_on, withdraw
from dashboard.actions.operator import RejectedActionError
from monitor.contract.reading import DrumRow
from tests.dashboard.fake_record import FakeRecord


@pytest.fixture
def drum(record: FakeRecord) -> DrumRow:
    return next(d for d in record.drums("core-1") if d.end_m)


def test_drum_metres_go_out_as_metres_of_the_line(context, gateway, drum):
    mark_metres(context, "core-1", drum.filling, "suspect", 12, 14, "Mira", "scrape by the guide")
    ((line, sent),) = gateway.sent
    assert (line, sent.action, sent.by, sent.reason, sent.drum) == (
        "core-1", "mark metres", "Mira", "scrape by the guide", drum.drum,
    )  # fmt: skip
    assert (sent.start_m, sent.end_m) == (drum.start_m + 12, drum.start_m + 14)


def test_a_mark_up_to_the_end_ends_with_the_drum(context, gateway, drum):
    length = drum.end_m - drum.start_m
    mark_metres(context, "core-1", drum.filling, "comment", 0, -(-length // 1), "Mira", "all of it")
    assert gateway.sent[0][1].end_m == pytest.approx(drum.end_m, abs=1e-9)


@pytest.mark.parametrize(
    ("from_m", "to_m", "by", "reason", "says"),
    [
        (5, 5, "Mira", "x", "the first below the second"),
        (-1, 5, "Mira", "x", "from 0 to"),
        (5, 1e9, "Mira", "x", "from 0 to"),
        (None, 5, "Mira", "x", "from 0 to"),
        ("5", 6, "Mira", "x", "from 0 to"),
        (5, 6, " ", "x", "Enter your name"),
        (5, 6, "Mira", " ", "what is suspect"),
        (5, 6, "Mira", "x" * 401, "Shorten"),
    ],
)
def test_a_mark_that_lacks_something_is_not_sent(context, gateway, drum, from_m, to_m, by, reason, says):
    with pytest.raises(RejectedActionError, match=says):
        mark_metres(context, "core-1", drum.filling, "suspect", from_m, to_m, by, reason)
    assert gateway.sent == []


def test_metres_of_a_drum_that_is_being_wound_can_be_marked(context, gateway, record):
    wound = next(d for d in record.drums("core-1") if d.end_m is None)
    mark_metres(context, "core-1", wound.filling, "suspect", 0, 1, "Mira", "first metre")
    assert gateway.sent[0][1].start_m == wound.start_m


@pytest.mark.parametrize(
    ("kind", "says"),
    [("repaired", "the test after it"), ("concession", "who allowed"), ("comment", "the comment"), (None, "Choose")],
)
def test_each_kind_of_mark_asks_for_its_own_words(context, gateway, drum, kind, says):
    with pytest.raises(RejectedActionError, match=says):
        mark_metres(context, "core-1", drum.filling, kind, 1, 2, "Mira", " ")
    if kind:
        mark_metres(context, "core-1", drum.filling, kind, 1, 2, "Mira", "done and tested")
    assert [sent.mark for _, sent in gateway.sent] == ([kind] if kind else [])


def test_a_mark_is_withdrawn_by_its_time_with_a_reason(context, gateway, drum):
    (mark,) = marks_on(context, drum)
    withdraw(context, "core-1", drum.filling, mark.key, "Olle", "looked at: sound")
    ((_, sent),) = gateway.sent
    assert (sent.action, sent.occurrence, sent.reason) == (
        "withdraw mark", round(mark.start_s * 1e3), "looked at: sound"
    )  # fmt: skip
    assert (sent.start_m, sent.end_m) == (mark.start_m, mark.end_m)


@pytest.mark.parametrize(("key", "reason", "says"), [("mark@0", "x", "Choose a mark"), (None, "x", "Choose a mark")])
def test_only_a_mark_of_this_drum_is_withdrawn(context, gateway, drum, key, reason, says):
    with pytest.raises(RejectedActionError, match=says):
        withdraw(context, "core-1", drum.filling, key, "Olle", reason)
    assert gateway.sent == []


def test_a_withdrawal_needs_its_reason(context, gateway, drum):
    (mark,) = marks_on(context, drum)
    with pytest.raises(RejectedActionError, match="why"):
        withdraw(context, "core-1", drum.filling, mark.key, "Olle", " ")
    assert gateway.sent == []
