"""Activations of alarms as intervals: each begins where it was raised, and ends at its own return."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.analysis.activations import of_changes, of_rows
from monitor.contract.reading import AlarmRow
from monitor.contract.record import AlarmChange, AlarmState, Priority

NORMAL, ACTIVE = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED
EVENTS = st.lists(
    st.tuples(st.sampled_from(["a", "b"]), st.sampled_from(["raised", "returned", "acknowledge", "shelve"])),
    max_size=30,
)


def change(t_s: float, alarm: str, event: str) -> AlarmChange:
    return AlarmChange(
        line="core-1",
        alarm=alarm,
        occurrence_s=t_s,
        t_s=t_s,
        event=event,
        before=NORMAL,
        after=ACTIVE,
        priority=Priority.HIGH,
        value=1.0,
        limit=2.0,
        unit="mm",
        line_metre=5.0,
        recipe="r",
        revision=1,
    )


def row(t_s: float, alarm: str, event: str) -> AlarmRow:
    at = round(t_s * 1e3)
    return AlarmRow(
        line="core-1",
        alarm=alarm,
        occurrence_ms=at,
        t_ms=at,
        event=event,
        state="x",
        priority="high",
        value=1.0,
        limit=2.0,
        unit="mm",
        line_metre=5.0,
        recipe="r",
        revision=1,
        by="",
        reason="",
        until_ms=None,
    )


def test_what_people_do_with_an_alarm_ends_it_not():
    found = of_changes(change(t, "a", e) for t, e in enumerate(["raised", "acknowledge", "shelve", "returned"]))
    assert [(r.t_s, r.end_s) for r in found] == [(0, 3)]


def test_a_return_without_a_beginning_is_no_activation():
    assert of_changes([change(1.0, "a", "returned")]) == []


@pytest.mark.parametrize(("end", "upto", "seconds"), [(None, 60.0, 50.0), (30.0, 60.0, 20.0), (90.0, 60.0, 50.0)])
def test_how_long_it_was_active_ends_with_the_span_asked_for(end, upto, seconds):
    events = [change(10.0, "a", "raised")] + ([change(end, "a", "returned")] if end else [])
    (one,) = of_changes(events)
    assert one.duration_s(upto) == pytest.approx(seconds)


@given(events=EVENTS)
def test_changes_and_stored_rows_make_the_same_intervals(events):
    by_change = of_changes(change(float(t), *e) for t, e in enumerate(events))
    by_row = of_rows([row(float(t), *e) for t, e in enumerate(events)][::-1])  # the record gives the newest first
    assert by_change == by_row
    for one in by_change:
        assert events[round(one.t_s)] == (one.alarm, "raised")
        assert one.end_s is None or events[round(one.end_s)] == (one.alarm, "returned")
    ends = [(one.alarm, one.end_s) for one in by_change if one.end_s is not None]
    assert len(set(ends)) == len(ends)
    assert [one.t_s for one in by_change] == sorted(one.t_s for one in by_change)
