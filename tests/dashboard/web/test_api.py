"""The api answers what is asked, and tells whoever asks badly what was expected."""

from dataclasses import replace

import pytest

from dashboard.context import Context
from dashboard.queries import live
from tests.core.script import in_m_per_s
from tests.dashboard.conftest import NOW_S
from tests.dashboard.fake_record import FIRST_L_M, START_S, FakeRecord
from tests.dashboard.replies import reply_of
from tests.store.test_events import asking, event

NOW_MS = round(NOW_S * 1e3)


def test_live_tells_of_every_line(client):
    reply = client.get("/api/v1/live").get_json()
    assert reply["t"] == NOW_MS
    assert reply["rejected"] == 131
    assert [line["line"] for line in reply["lines"]] == ["core-2", "core-1"]  # the one that needs someone first
    second, first = reply["lines"]
    assert first["speed"] == pytest.approx(230.0)
    assert first["window"] == [200.0, 245.0]
    assert second["asks"]["high"] == 1
    assert second["asks"]["text"] == "Spark fault"
    assert "shown" not in reply
    # The knife is 8 m after the counter: what the counter measured last is not on the drum yet.
    wound = 230.0 / 60 * 3050.0 - 8.0
    assert first["drum_metre"] == pytest.approx(wound % 4000.0, abs=0.1)
    assert first["drum_change_s"] == pytest.approx((4000.0 - wound % 4000.0) / (230.0 / 60), abs=0.1)


def test_live_gives_limits_of_speed_in_m_per_min_whatever_their_unit(context, clock):
    """A13."""
    works = in_m_per_s(context.configuration)
    record = FakeRecord(works, clock)
    there = Context(
        record=record, configuration=works, clock=clock, gateway=context.gateway, numbering=context.numbering
    )
    first = reply_of(live.answer(there, live.Question()))["lines"][1]
    assert (first["speed"], first["window"], first["outside"]) == (pytest.approx(230.0), [200.0, 245.0], False)


def test_live_gives_newest_samples_of_the_shown_line_only_since_the_last_answer(client):
    since = NOW_MS - 5000
    shown = client.get(f"/api/v1/live?line=core-1&since={since}").get_json()["shown"]
    assert shown["line"] == "core-1"
    speed = shown["streams"]["metre-counter/speed"]
    assert all(since < t <= NOW_MS for t in speed["t"])
    assert len(speed["t"]) == len(speed["v"]) <= 2 * 6
    assert "metre-counter/length" not in shown["streams"]
    later = client.get(f"/api/v1/live?line=core-1&since={speed['t'][-1]}").get_json()["shown"]
    assert all(t > speed["t"][-1] for t in later["streams"]["metre-counter/speed"]["t"])


def test_live_goes_back_ten_minutes_at_most(client):
    streams = client.get("/api/v1/live?line=core-1").get_json()["shown"]["streams"]
    assert min(streams["metre-counter/speed"]["t"]) >= NOW_MS - 600_000
    assert len(streams["cold-gauge/diameter-x"]["t"]) <= 2 * 601


def test_live_ribbon_goes_on_where_the_browser_stood(client):
    whole = client.get("/api/v1/live").get_json()["lines"][1]["ribbon"]
    tail = client.get("/api/v1/live?metres=core-1:3000,core-2:10").get_json()["lines"][1]["ribbon"]
    assert whole["since"] == 0
    assert tail["since"] == 3000
    assert tail["runs"][0][0] == 3000
    assert tail["runs"][-1][1:] == whole["runs"][-1][1:]


def test_trend_is_thinned_and_names_its_unit(client):
    start = round(START_S * 1e3)
    query = f"stream=core-1/metre-counter/speed&start={start}&end={NOW_MS}&points=500"
    reply = client.get(f"/api/v1/trend?{query}").get_json()
    assert reply["unit"] == "m/min"
    assert reply["samples"] == 30_500
    assert len(reply["t"]) == len(reply["v"]) <= 500


def test_process_history_lists_every_place_in_path_order(client):
    metre = FIRST_L_M["core-1"] + 5000.0
    reply = client.get(f"/api/v1/process-history?line=core-1&metre={metre}").get_json()
    assert reply["drum_metre"] == 1000.0
    places = [stop["place"] for stop in reply["stops"]]
    assert places[0] == "Pay-off"
    assert "Oven A, pass 2" in places
    positions = [stop["position_m"] for stop in reply["stops"]]
    assert positions == sorted(positions)
    came = [stop["came_ms"] for stop in reply["stops"]]
    assert came == sorted(came)


BAD = [
    ("live?line=core-9", "line: expected one of core-1, core-2, got 'core-9'."),
    ("live?line=", "line: expected one of"),
    ("live?since=abc", "since: expected a whole number"),
    ("live?since=1e9", "since: expected a whole number"),
    ("live?since=-1", "since: expected a whole number"),
    ("live?since=99999999999999999999", "since: expected a whole number"),
    ("live?metres=core-1", "metres: expected LINE:METRE"),
    ("live?metres=core-9:5", "metres: expected LINE:METRE"),
    ("live?metres=core-1:nan", "metres: expected LINE:METRE"),
    ("trend", "stream: expected LINE/STATION/QUANTITY"),
    ("trend?stream=core-1/oven-z/temperature&start=0&end=1", "stream: expected LINE/STATION/QUANTITY"),
    ("trend?stream=core-1/head/pressure&end=1", "start: expected a whole number"),
    ("trend?stream=core-1/head/pressure&start=5&end=5", "end must be after start"),
    ("trend?stream=core-1/head/pressure&start=0&end=99999999999999", "at most 31 days"),
    ("trend?stream=core-1/head/pressure&start=0&end=9&points=3", "points: expected a whole number from 4 to 10000"),
    ("trend?stream=core-1/head/pressure&start=0&end=9&points=1000000", "points: expected a whole number"),
    ("process-history?line=core-1", "metre: expected a number"),
    ("process-history?line=core-1&metre=inf", "metre: expected a number"),
    ("process-history?line=core-1&metre=-5", "no drum of line core-1 on record holds line metre -5.0"),
    ("process-history?metre=5", "line: expected one of"),
]


@pytest.mark.parametrize(("query", "output"), BAD)
def test_a_bad_question_gets_400_and_a_sentence(client, query, output):
    reply = client.get(f"/api/v1/{query}")
    assert reply.status_code == 400
    assert output in reply.get_json()["error"]


def test_browsers_ask_each_time_and_are_answered_in_short_where_nothing_has_changed(client):
    first = client.get("/api/v1/live")
    assert first.headers["Cache-Control"] == "no-cache"
    again = client.get("/api/v1/live", headers={"If-None-Match": first.headers["ETag"]})
    assert (again.status_code, again.data) == (304, b"")
    assert (again.headers["Cache-Control"], again.headers["ETag"]) == ("no-cache", first.headers["ETag"])
    assert client.get("/api/v1/live?line=nowhere").headers["Cache-Control"] == "no-store"
    assert client.get("/api/v1/metrics").headers["Cache-Control"] == "no-store"


def test_events_of_a_line_that_wait_or_go_on_are_given_with_their_kind_in_words(client, context):
    first, over = asking(event(10.0)), event(20.0)
    context.record.events += [first, over, replace(first, line="core-2", event="other@1")]
    (given,) = client.get("/api/v1/events?line=core-1").get_json()["events"]
    assert (given["event"], given["title"], given["priority"]) == (first.event, "Thick place", "medium")
    assert given["alarms"] == [{"alarm": "cold-gauge/diameter-x/HI", "occurrence": given["start"], "raised": 1}]
    assert client.get("/api/v1/events?line=core-9").status_code == 400


def test_nothing_can_be_written_through_the_api(client):
    assert client.post("/api/v1/live").status_code == 405


def test_the_api_gives_the_same_record(client, drum):
    got = client.get(f"/api/v1/release?line=core-1&filling={drum.filling}").get_json()
    assert got["drum"] == drum.drum
    assert got["proposed"] == "hold"
    assert got["length_m"] == pytest.approx(drum.end_m - drum.start_m)
    assert sum(got["metres"].values()) == pytest.approx(got["length_m"], abs=25)
    assert got["journal_last_hash"] == "ab" * 32
    assert client.get("/api/v1/release?line=core-1&drum=none").status_code == 400
