"""What the browser draws the alarm list from: everything once, then only rows that changed; history by pages (D1)."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest

from dashboard.app import create_app
from dashboard.queries import alarm_list
from tests.dashboard.conftest import NOW_S

NOW_MS = round(NOW_S * 1e3)


def rows_of(reply: Mapping[str, Any]) -> list[Any]:
    return [reply["rows"][key] for key, _ in reply["order"]]


def test_alarms_come_most_urgent_first_with_what_to_do(client):
    rows = rows_of(client.get("/api/v1/alarms").get_json())
    assert [(r["state"], r["priority"]) for r in rows] == [
        ("unacknowledged", "high"),
        ("unacknowledged", "medium"),
        ("returned to normal unacknowledged", "low"),
        ("acknowledged", "medium"),
        ("shelved", "low"),
    ]
    first = rows[0]
    assert (first["title"], first["line"], first["unacknowledged"]) == ("Spark fault", "Core line 2", True)
    assert [label for label, _ in first["response"]] == ["Respond within 5 min:", "Cause", "Consequence"]
    assert "Pinhole, foreign particle" in first["response"][1][1]
    assert first["where"]["href"].startswith("/drum/core-2/")
    assert rows[3]["state_text"] == "acknowledged by K. Berg"


def test_d1_a_browser_that_has_the_list_gets_only_what_changed_since(client, record):
    before = client.get("/api/v1/alarms").get_json()
    gone = next(a for a in record.alarms if a.alarm == "oven-a/temperature/LO")
    record.alarms.append(replace(gone, t_ms=NOW_MS, event="acknowledge", state="acknowledged"))
    after = client.get(f"/api/v1/alarms?since={before['newest'] + 1}").get_json()
    assert list(after["rows"]) == [alarm_list.key_of(gone)]
    assert len(after["order"]) == len(before["order"])
    assert after["newest"] == NOW_MS
    versions = dict(map(tuple, after["order"]))
    assert all(row["version"] == versions[key] for key, row in after["rows"].items())


def test_d1_history_comes_in_pages_that_together_hold_each_change_once(client, record):
    one = record.alarms[0]
    record.alarms += [replace(one, t_ms=NOW_MS - 1000 * i, event=f"e{i}") for i in range(1, 46)]
    total = record.count_alarm_changes(None, NOW_MS - 8 * alarm_list.HOUR_MS, NOW_MS)
    first = client.get("/api/v1/alarm-changes?hours=8").get_json()
    assert (first["total"], len(first["rows"]), first["size"]) == (total, 20, 20)
    record.alarms.append(replace(one, t_ms=NOW_MS + 90_000, event="new"))  # comes in while older pages are turned
    pages = [first["rows"]]
    for page in range(1, 4):
        reply = client.get(f"/api/v1/alarm-changes?hours=8&page={page}&until={first['until']}").get_json()
        pages.append(reply["rows"])
    every = [(r["when"], r["what"], r["event"]) for rows in pages for r in rows]
    assert len(every) == len(set(every)) == total
    assert pages[3] == []


@pytest.mark.parametrize("asked", ["alarms?since=x", "alarm-changes?hours=0", "alarm-changes?page=-1"])
def test_a_bad_question_gets_a_sentence(client, asked):
    reply = client.get(f"/api/v1/{asked}")
    assert reply.status_code == 400
    assert "expected a whole number" in reply.get_json()["error"]


def test_d2_a_reason_given_for_one_alarm_is_not_there_for_the_next(context):
    app = create_app(context.record, context.configuration, context.gateway, context.clock)
    asking = next(one for one in app.callback_map.values() if [i["id"] for i in one["inputs"]] == ["asked"])
    key = alarm_list.key_of(alarm_list.standing(context)[0])
    reply = app.server.test_client().post("/_dash-update-component", json={
        "output": next(name for name, one in app.callback_map.items() if one is asking),
        "outputs": [{"id": o.component_id, "property": o.component_property} for o in asking["output"]],
        "inputs": [{"id": "asked", "property": "data", "value": {"key": key, "at": 1}}],
        "changedPropIds": ["asked.data"], "state": [],
    })  # fmt: skip
    assert reply.get_json()["response"]["reason"] == {"value": ""}
