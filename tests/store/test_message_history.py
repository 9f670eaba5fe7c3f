"""Stored messages are read once each and in the order they came, wherever they lie."""

import errno
import os
from pathlib import Path

import pytest
from sqlalchemy import update

from monitor.core.arrival import Message
from monitor.store import manifest, message_history, rolling
from monitor.store.message_history import History
from monitor.store.schema import CHECKPOINT
from monitor.store.writer import Writer
from tests.shell.works import settings_at, stored_at
from tests.store.test_rolling import NOW_MS, keep

HOUR_MS = rolling.HOUR_MS


def came(place: Path) -> list[tuple[int, int]]:
    """(id, stamp in ms) of all messages."""
    parts = History(configuration=stored_at(place), line="core-1").came(0, 10**15)
    return [(at, round(m.t_s * 1e3)) for part in parts for at, m in part if isinstance(m, Message)]


def test_an_hour_that_lies_in_its_file_and_still_in_the_database_is_read_once(place, monkeypatch):
    """A kill, or a full disk, between the two: a line that was rebuilt then met each message twice."""
    engine = Writer(settings_at(place), ["core-1"]).engine
    stamps = [NOW_MS + 1000 * i for i in range(5)]
    keep(engine, 1, stamps)
    keep(engine, 6, [NOW_MS + HOUR_MS])
    expected = list(enumerate([*stamps, NOW_MS + HOUR_MS], 1))
    assert came(place) == expected

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as m:
        m.setattr(manifest, "settle", full)
        assert rolling.roll_hours(engine, place, 0) == []
    assert rolling.hour_file(place, "core-1", NOW_MS).is_file()
    assert came(place) == expected
    assert len(rolling.roll_hours(engine, place, 0)) == 1
    assert came(place) == expected


@pytest.mark.parametrize("together", [3, 1000])
def test_what_came_late_for_an_hour_in_a_file_is_read_at_its_place(place, monkeypatch, together):
    """However few messages of the database are read at once."""
    monkeypatch.setattr(message_history, "TOGETHER", together)
    engine = Writer(settings_at(place), ["core-1"]).engine
    keep(engine, 1, [NOW_MS + 1000 * i for i in range(5)])
    keep(engine, 6, [NOW_MS + HOUR_MS + 1000 * i for i in range(20)])
    keep(engine, 26, [NOW_MS + 500])  # late
    keep(engine, 27, [NOW_MS + HOUR_MS + 60_000 + 1000 * i for i in range(20)])
    with engine.begin() as connection:
        connection.execute(update(CHECKPOINT).values(message_id=1000))
    assert len(rolling.roll_hours(engine, place, 0)) == 1
    assert [at for at, _ in came(place)] == list(range(1, 47))
