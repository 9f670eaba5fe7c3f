"""Shifts by local time: Europe/Stockholm changed its clocks on 2026-03-29 and 2026-10-25 at 01:00 UTC (EU rule)."""

from datetime import UTC, datetime, time
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.analysis.shift_calendar import shift_at, shifts_between
from monitor.contract.config.works import Shift

THREE = [Shift(name=n, begins=time(h)) for n, h in (("early", 6), ("late", 14), ("night", 22))]
ZONE = "Europe/Stockholm"


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1e3)


@pytest.mark.parametrize(
    ("t", "title", "hours"),
    [
        ("2026-11-25T05:00", "2026-11-25 early", 8),
        ("2026-11-25T04:59", "2026-11-24 night", 8),
        ("2026-03-29T00:30", "2026-03-28 night", 7),  # the hour from 02:00 to 03:00 local does not exist
        ("2026-10-25T02:30", "2026-10-24 night", 9),  # it comes twice
        ("2026-03-29T04:00", "2026-03-29 early", 8),
    ],
)
def test_a_shift_is_as_long_as_its_clocks_say(t, title, hours):
    shift = shift_at(ms(t), THREE, ZONE)
    assert (shift.title, shift.hours) == (title, hours)


def test_a_beginning_that_does_not_exist_is_when_the_clocks_go_on():
    odd = [Shift(name="a", begins=time(2, 30)), Shift(name="b", begins=time(14, 30))]
    shift = next(s for s in shifts_between(ms("2026-03-28T00:00"), ms("2026-03-30T00:00"), odd, ZONE) if s.hours == 11)
    assert shift.title == "2026-03-29 a"


@given(
    st.datetimes(
        timezones=st.just(UTC),
        min_value=datetime.fromisoformat("2020-01-01"),
        max_value=datetime.fromisoformat("2030-01-01"),
    ),
    st.integers(1, 40 * 86_400_000),
)
def test_shifts_cover_any_span_without_hole_or_overlap(start, length):
    a = round(start.timestamp() * 1e3)
    spans = shifts_between(a, a + length, THREE, ZONE)
    assert spans[0].start_ms <= a < spans[0].end_ms
    assert spans[-1].start_ms < a + length <= spans[-1].end_ms
    assert all(x.end_ms == y.start_ms for x, y in pairwise(spans))
    assert all(s.hours in (7, 8, 9) for s in spans)


def test_without_a_calendar_there_are_none():
    assert shifts_between(0, 1000, [], ZONE) == []
    assert shift_at(0, [], ZONE) is None
