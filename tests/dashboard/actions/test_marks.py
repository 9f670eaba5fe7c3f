"""Metres marked on the page of a drum (D4: alarms ask to mark the metres, and no page could)."""

import pytest

from dashboard.actions.marks import mark_metres
from dashboard.actions.operator import RejectedActionError


@pytest.fixture
def drum(record):
    return next(d for d in record.drums("core-1") if d.end_m)


def test_drum_metres_go_out_as_metres_of_the_line(context, gateway, drum):
    mark_metres(context, "core-1", drum.filling, 12, 14, "Mira", "scrape by the guide")
    ((line, sent),) = gateway.sent
    assert (line, sent.action, sent.by, sent.reason, sent.drum) == (
        "core-1", "mark metres", "Mira", "scrape by the guide", drum.drum,
    )  # fmt: skip
    assert (sent.start_m, sent.end_m) == (drum.start_m + 12, drum.start_m + 14)


def test_a_mark_up_to_the_end_ends_with_the_drum(context, gateway, drum):
    length = drum.end_m - drum.start_m
    mark_metres(context, "core-1", drum.filling, 0, -(-length // 1), "Mira", "all of it")
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
        mark_metres(context, "core-1", drum.filling, from_m, to_m, by, reason)
    assert gateway.sent == []


def test_metres_of_a_drum_that_is_being_wound_can_be_marked(context, gateway, record):
    wound = next(d for d in record.drums("core-1") if d.end_m is None)
    mark_metres(context, "core-1", wound.filling, 0, 1, "Mira", "first metre")
    assert gateway.sent[0][1].start_m == wound.start_m
