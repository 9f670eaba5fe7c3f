"""What every viewer is told of a second: also of a line of which nothing is stored for now."""

from dataclasses import replace

from dashboard.queries.live import moment
from dashboard.queries.monitors import REPORTED_MS
from tests.dashboard.replies import reply_of


def test_a_suspended_line_is_shown_with_what_to_do_and_no_other(context, monkeypatch):
    assert [line["suspended"] for line in moment(context).lines.values()] == [""] * len(context.configuration.lines)
    [row] = context.record.health()
    why = "its engine cannot be restored (ZeroDivisionError: a defect)"
    reported = replace(row, suspended={"core-1": why})
    monkeypatch.setattr(type(context.record), "health", lambda _: [reported])
    now = moment(context)
    assert reply_of(now.reply)["needs"][0] == {"line": "core-1", "why": "suspended"}
    assert [need["line"] for need in reply_of(now.reply)["needs"]].count("core-1") == 1
    suspended = {line["line"]: str(line["suspended"]) for line in now.lines.values()}
    assert {line for line, text in suspended.items() if text} == {"core-1"}
    assert "Nothing is stored or judged" in suspended["core-1"]
    assert "Watch the line by its own instruments" in suspended["core-1"]
    assert suspended["core-1"].endswith(why)


def test_what_a_monitor_that_is_gone_last_reported_is_not_shown(context, monkeypatch):
    [row] = context.record.health()
    old = replace(row, t_ms=context.now_ms - REPORTED_MS, suspended={"core-1": "a reason"})
    monkeypatch.setattr(type(context.record), "health", lambda _: [old])
    assert not any(line["suspended"] for line in moment(context).lines.values())
