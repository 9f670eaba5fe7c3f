"""Alarms that return by themselves: when, and what a second happening does."""

from collections.abc import Iterable
from itertools import pairwise
from typing import ClassVar

from hypothesis import given
from hypothesis import strategies as st

from monitor.core.alarms import AlarmEvent
from monitor.core.timed_alarm import TimedAlarm


class Jump(TimedAlarm):
    name: ClassVar[str] = "line/jump"
    duration_s: ClassVar[float] = 30.0


def events(events: Iterable[AlarmEvent]) -> list[tuple[str, float]]:
    return [(e.event, e.t_s) for e in events]


def test_it_returns_when_its_time_is_over_and_once():
    alarm = Jump()
    assert events(alarm.happen(100.0, 5.0, 1000.0)) == [("raised", 100.0)]
    assert events(alarm.quiet(129.9)) == []
    assert events(alarm.quiet(400.0)) == [("returned", 130.0)]
    assert events(alarm.quiet(500.0)) == []


def test_while_it_is_active_another_happening_makes_it_last_longer():
    alarm = Jump()
    list(alarm.happen(100.0, None, 1000.0))
    assert events(alarm.happen(120.0, None, 1001.0)) == []
    assert events(alarm.quiet(149.0)) == []
    assert events(alarm.quiet(151.0)) == [("returned", 150.0)]


def test_happening_again_is_reported_each_time():
    alarm = Jump()
    list(alarm.happen_again(100.0, 1000.0))
    assert events(alarm.happen_again(110.0, 1002.0)) == [("returned", 110.0), ("raised", 110.0)]
    assert events(alarm.quiet(1e9)) == [("returned", 140.0)]


def test_what_the_record_knows_to_be_active_returns_at_its_own_time_or_later():
    alarm = Jump()
    alarm.is_active_from(100.0)
    alarm.is_active_from(90.0)
    assert events(alarm.quiet(1e9)) == [("returned", 130.0)]


@given(st.lists(st.floats(0.0, 100.0), max_size=20))
def test_raised_and_returned_take_turns_in_the_order_of_time(steps):
    alarm, t_s, found = Jump(), 1000.0, []
    for step in steps:
        t_s += step
        found += events(alarm.happen(t_s, None, 0.0))
    found += events(alarm.quiet(t_s + 1e3))
    assert [event for event, _ in found] == ["raised", "returned"] * (len(found) // 2)
    assert all(a <= b for (_, a), (_, b) in pairwise(found))
