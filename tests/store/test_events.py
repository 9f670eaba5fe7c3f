"""Events in the store: written as they are, read as they were, found by what is asked."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.contract.record import EventMember, LineEvent, Priority
from monitor.store.events import event_of, event_row, first_ms, joinable_rows
from monitor.store.reader import StoreReader
from monitor.store.writer import Batch, Writer
from tests.core.script import T0
from tests.shell.works import settings_at


def event(t: float, key: str = "cold-gauge/diameter-x/HI", **more: Any) -> LineEvent:
    """A thick place on core-1, found `t` s after T0 and over."""
    member = EventMember(alarm=key, occurrence_s=T0 + t, priority=Priority.MEDIUM, active=False, asks=False)
    usual: dict[str, Any] = {
        "line": "core-1", "event": f"{key}@{round((T0 + t) * 1e3)}", "kind": "thick-place", "start_s": T0 + t,
        "end_s": T0 + t + 1.0, "changed_s": T0 + t + 1.0, "start_m": 1000.0 + 4 * t, "end_m": 1000.5 + 4 * t,
        "touched_from_m": 900.0 + 4 * t, "touched_to_m": 1104.0 + 4 * t, "members": (member,), "faults": 0,
        "faults_m": (), "spacing_m": None, "answered_by": "Mira", "answered_s": T0 + t + 0.5,
    }  # fmt: skip
    return LineEvent(**(usual | more))


@pytest.fixture
def store(place: Path) -> Iterator[tuple[Writer, StoreReader]]:
    writer = Writer(settings_at(place))
    reader = StoreReader(settings_at(place))
    yield writer, reader
    reader.close()
    writer.close()


def asking(e: LineEvent) -> LineEvent:
    return replace(e, members=tuple(replace(m, asks=True) for m in e.members), answered_by="", answered_s=None)


def test_an_event_is_read_as_it_was_written_and_its_newest_form_stays(store):
    writer, reader = store
    first = asking(event(10.0, faults=2, faults_m=(1040.25, 1042.75), spacing_m=2.5))
    writer.write(Batch(outputs=[replace(first, end_s=None, faults=1), first]))
    assert reader.events_open("core-1") == [first]
    answered = replace(first, members=event(10.0).members, answered_by="Mira", answered_s=T0 + 60.0)
    writer.write(Batch(outputs=[answered]))
    assert reader.events_open("core-1") == []
    assert reader.events_begun("core-1", 1040.0, 1041.0) == [answered]


def test_open_events_come_most_urgent_first(store):
    writer, reader = store
    low, high, over = asking(event(10.0)), event(20.0, end_s=None), event(30.0)
    high = replace(high, members=tuple(replace(m, priority=Priority.HIGH) for m in high.members))
    writer.write(Batch(outputs=[low, high, over, replace(low, line="core-2")]))
    assert [e.start_s - T0 for e in reader.events_open("core-1")] == [20.0, 10.0]
    assert len(reader.events_open("core-2")) == 1


def test_what_an_alarm_may_join_is_what_is_open_recent_or_near(store):
    writer, _ = store
    old, day_s = asking(event(0.0)), 86_400.0
    far = event(10.0)
    near = event(20.0, start_m=9_500.0)
    recent = event(3 * day_s - 60.0, start_m=0.0)
    later = event(3 * day_s + 60.0)
    writer.write(Batch(outputs=[old, far, near, recent, later]))
    at_ms = round((T0 + 3 * day_s) * 1e3)
    with writer.engine.connect() as connection:
        rows = joinable_rows(connection, "core-1", at_ms, 10_000.0, at_ms)
        assert [r.event for r in rows] == [old.event, near.event, recent.event]
        assert first_ms(connection, "core-1") == round(T0 * 1e3)
        assert first_ms(connection, "lay-1") is None


def test_times_are_kept_to_the_millisecond_as_those_of_alarms_are():
    found = event(10.0004)
    row = event_row(found)
    kept = event_of(type("Row", (), row))
    assert kept.members[0].occurrence_s == T0 + 10.0
    assert event_row(kept) == row
