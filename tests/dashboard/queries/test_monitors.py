"""A configured line that no monitor has is named with the remedy: its gateway gets no answer, and little else shows."""

from dataclasses import replace

import pytest
from msgspec import structs

from dashboard.context import Context
from dashboard.pages.health import layout as health
from dashboard.queries.live import moment
from dashboard.queries.monitors import REPORTED_MS, monitors, recent, suspended, unmonitored
from monitor.contract.messages import Health
from monitor.store.reader import StoreReader
from monitor.store.writer import Batch, Writer
from tests.dashboard.fake_record import FakeRecord
from tests.dashboard.replies import reply_of
from tests.shell.works import settings_at

HEALTH = FakeRecord.health


def reports(context: Context, monkeypatch: pytest.MonkeyPatch, *of: tuple[list[str], int]) -> None:
    """Monitors of these lines, each with the age of its last report in ms."""
    row = context.record.health()[0]
    rows = [replace(row, monitor=", ".join(lines), lines=lines, t_ms=context.now_ms - age) for lines, age in of]
    monkeypatch.setattr(type(context.record), "health", lambda _: rows)


def test_a_line_that_no_monitor_has_is_named_on_lines_and_health_with_the_remedy(context, client, monkeypatch):
    assert unmonitored(context) == {}
    reports(context, monkeypatch, (["core-1"], 500))
    assert set(unmonitored(context)) == {"core-2"}
    now = moment(context)
    assert reply_of(now.reply)["needs"][0] == {"line": "core-2", "why": "not monitored"}
    assert [need["line"] for need in reply_of(now.reply)["needs"]].count("core-2") == 1
    assert now.lines["core-1"]["unmonitored"] == ""
    remedy = "Start a monitor that has it: everymetre monitor --lines core-2"
    assert str(now.lines["core-2"]["unmonitored"]).endswith(remedy)
    assert remedy in str(health.content(context))
    reply = client.get("/api/v1/health").get_json()
    assert (reply["unmonitored"], reply["well"]) == (["core-2"], False)
    assert 'everymetre_line_monitored{line="core-2"} 0.0' in client.get("/api/v1/metrics").get_data(as_text=True)


@pytest.mark.parametrize(("age_ms", "lines"), [(REPORTED_MS - 1, []), (REPORTED_MS, ["core-1", "core-2"])])
def test_a_monitor_that_has_gone_silent_has_no_line(context, monkeypatch, age_ms, lines):
    reports(context, monkeypatch, (["core-1", "core-2"], age_ms))
    assert list(unmonitored(context)) == lines


def test_before_any_monitor_has_reported_no_line_is_named(context, monkeypatch):
    reports(context, monkeypatch)
    assert unmonitored(context) == {}


def test_an_earlier_monitor_whose_lines_others_have_now_is_no_trouble(context, monkeypatch):
    old = 3 * REPORTED_MS
    reports(context, monkeypatch, (["core-1", "core-2"], old), (["core-1"], 500), (["core-2"], 700))
    assert [row.monitor for row in monitors(context)] == ["core-1", "core-2"]
    reports(context, monkeypatch, (["core-1", "core-2"], old), (["core-1"], 500))
    assert [row.monitor for row in monitors(context)] == ["core-1, core-2", "core-1"]
    assert [row.monitor for row in recent(monitors(context), context.now_ms)] == ["core-1"]


def test_what_is_to_be_known_of_a_monitor_is_on_health_and_no_trouble(context, client, monkeypatch):
    """A SQLite file that is too large to be looked through at a start."""
    [row] = context.record.health()
    note = "record.sqlite holds 5.0 GB and was not examined for damage at the start: run `everymetre doctor`"
    monkeypatch.setattr(type(context.record), "health", lambda _: [replace(row, notes=[note])])
    assert f"OK; {note}" in str(health.content(context))
    reply = client.get("/api/v1/health").get_json()
    assert (reply["well"], reply["monitors"][0]["notes"]) == (True, [note])


def test_a_suspended_line_is_of_a_monitor_that_reports(context, monkeypatch):
    [row] = context.record.health()
    for age_ms, lines in ((0, {"core-1"}), (REPORTED_MS, set())):
        reported = replace(row, t_ms=context.now_ms - age_ms, suspended={"core-1": "a reason", "unknown": "another"})
        monkeypatch.setattr(type(context.record), "health", lambda _, reported=reported: [reported])
        assert set(suspended(context)) == lines


def test_the_lines_of_a_monitor_are_read_as_it_reported_them_or_from_its_name(place):
    lines = [f"core-line-number-{i}" for i in range(50)]
    earlier = Health(t=7, messages=0, rejected={}, lag_s=0.0, queue=0)
    for of, health_now in ((lines, structs.replace(earlier, lines=lines)), (["core-1", "core-2"], earlier)):
        Writer(settings_at(place), of).write(Batch(health=health_now))
    found = {len(row.monitor): list(row.lines) for row in StoreReader(settings_at(place)).health()}
    assert found == {240: lines, len("core-1, core-2"): ["core-1", "core-2"]}
