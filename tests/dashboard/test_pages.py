"""Every page is made without a browser: what it holds, and that it needs nothing from elsewhere."""

import re
from dataclasses import replace
from pathlib import Path

import pytest

from dashboard.actions.answers import RejectedActionError, send_answer
from dashboard.components.pathway import fold, pathway, turning_points
from dashboard.gateway import NotSentError
from dashboard.pages import route
from dashboard.pages.drum import layout as drum
from dashboard.pages.trend import layout as trend
from dashboard.queries import alarm_list
from dashboard.text import words
from monitor.contract.config.line import Station
from tests.dashboard.conftest import NOW_S
from tests.dashboard.page_text import json_of

ASSETS = Path(__file__).parents[2] / "dashboard" / "assets"
NOW_MS = round(NOW_S * 1e3)


PAGES = ["/", "/alarms", "/drums", "/trend", "/health", "/line/core-1", "/drum/core-1/1-1042"]


@pytest.mark.parametrize("address", PAGES)
def test_every_page_asks_one_question_in_its_head(context, address):
    page = route(context, address)
    assert page.title
    assert json_of(page.content).count('"type": "H1"') == 1


@pytest.mark.parametrize("address", ["/nowhere", "/line/core-9", "/drum/core-1/none", "/drum/none/1-1042", "/line/"])
def test_an_unknown_address_gets_a_sentence_and_a_way_back(context, address):
    page = route(context, address)
    assert page.title == "Not found"
    assert '"href": "/"' in json_of(page.content)


def test_the_document_names_its_language_and_its_caution(client, app):
    document = client.get("/").get_data(as_text=True)
    assert '<html lang="en">' in document
    assert words.CAUTION in json_of(app.layout())


def test_no_asset_comes_from_elsewhere(client):
    document = client.get("/").get_data(as_text=True)
    assert not re.search(r"""(src|href)=["'](https?:)?//""", document)
    for asset in ASSETS.iterdir():
        assert not re.search(r"https?://|@import|url\(", asset.read_text(encoding="utf-8")), asset.name


def key_of(context, name):
    return next(alarm_list.key_of(a) for a in context.record.alarms_now() if a.alarm == name)


def test_acknowledging_sends_who_why_and_which_raising(context, gateway):
    key = key_of(context, "oven-a/temperature/LO")
    done = send_answer(context, key, "acknowledge", " K. Berg ", "called maintenance", "60")
    (line, action) = gateway.sent[0]
    assert line == "core-2"
    assert (action.action, action.by, action.reason) == ("acknowledge", "K. Berg", "called maintenance")
    assert (action.alarm, action.occurrence) == ("oven-a/temperature/LO", NOW_MS - 95_000)
    assert (action.n, action.t, action.until) == (NOW_MS, NOW_MS, None)
    assert done == {"key": key, "action": "acknowledge", "t": NOW_MS, "state": "unacknowledged"}


def test_shelving_sends_until_when(context, gateway):
    send_answer(context, key_of(context, "head/pressure/HI"), "shelve", "K. Berg", "screen change", "240")
    assert gateway.sent[0][1].until == NOW_MS + 4 * 3_600_000


@pytest.mark.parametrize(
    ("action", "by", "reason", "minutes", "said"),
    [
        ("acknowledge", "", "", "60", "Enter your name"),
        ("acknowledge", "   ", "", "60", "Enter your name"),
        ("shelve", "K. Berg", "", "60", "Enter a reason"),
        ("shelve", "K. Berg", "why", None, "Choose a duration"),
        ("shelve", "K. Berg", "why", "-5", "Choose a duration"),
    ],
)
def test_an_incomplete_answer_is_not_sent(context, gateway, action, by, reason, minutes, said):
    key = key_of(context, "oven-a/temperature/LO")
    with pytest.raises(RejectedActionError, match=re.escape(said)):
        send_answer(context, key, action, by, reason, minutes)
    assert gateway.sent == []


def test_an_alarm_raised_anew_meanwhile_is_not_answered(context, gateway):
    key = key_of(context, "oven-a/temperature/LO").replace("|1764", "|1763")
    with pytest.raises(RejectedActionError, match="changed"):
        send_answer(context, key, "acknowledge", "K. Berg", "", "60")
    assert gateway.sent == []


def test_a_broker_that_is_away_is_told_to_the_person(context, monkeypatch):
    def refuse(line, action):
        raise NotSentError("Not sent: no broker.")

    monkeypatch.setattr(context.gateway, "send", refuse)
    key = key_of(context, "oven-a/temperature/LO")
    with pytest.raises(RejectedActionError, match=r"^Not sent: no broker\.$"):
        send_answer(context, key, "acknowledge", "K. Berg", "", "60")


def test_findings_stand_with_both_coordinates(context):
    page = json_of(route(context, "/drum/core-1/1-1042").content)
    assert "From outer end: start, m" in page
    # Second drum, known spark fault at 312 + 113 = 425 of 4000 m.
    assert "425.0" in page
    assert "3\u202f574.0" in page


def test_process_history_of_a_metre_that_is_not_there_gets_a_message(context, record):
    found = record.drum_named("core-1", "1-1042")
    assert "Metre 4\u202f000 is outside drum" in json_of(drum.history_table(context, found, 4000.0))
    assert "Process history at drum metre 700" in json_of(drum.history_table(context, found, 700.0))


def test_long_trend_says_how_much_it_holds(context):
    asked = trend.TrendRequest("core-1", ("metre-counter/speed",), NOW_MS - 3_600_000, NOW_MS)
    chart, said = trend.answer(context, asked)
    assert "30\u202f500 samples" in said
    assert "CET" in said
    assert len(chart.children.figure.data[0].x) <= trend.POINTS + 5


def test_a_span_is_local_time_and_must_make_sense(context):
    assert trend.span_ms(context, "1 h", None, None) == (NOW_MS - 3_600_000, NOW_MS)
    start, end = trend.span_ms(context, "custom", "2025-07-01 06:00", "2025-07-01 14:00:00")
    assert (start, end) == (1_751_342_400_000, 1_751_342_400_000 + 8 * 3_600_000)
    assert "Choose" in trend.span_ms(context, "custom", None, "2025-07-01 14:00")
    assert "The end time must be after" in trend.span_ms(context, "custom", "2025-07-02", "2025-07-01")


def test_the_path_folds_so_that_both_passes_of_an_oven_lie_over_each_other(configuration):
    line = configuration.lines["core-1"]
    assert turning_points(line) == [45.0, 88.0]
    out, back, last = fold(line)
    for name in ("oven-a", "oven-b"):
        first, second = (z for z in line.zone if z.name == name)
        assert out.x(first.start_m) == back.x(second.end_m)
        assert out.x(first.end_m) == back.x(second.start_m)
    assert (last.from_x, last.to_x) == (2.0, 36.0)
    assert json_of(pathway(line)).count("zone-pass") == 6


def test_a_path_may_end_at_0(configuration):
    """A13. A station from -0.5 m to 0 m ends at 0 m."""
    line = configuration.lines["core-1"]
    short = line.model_copy(
        update={
            "zone": [],
            "station": [Station(name="a", position_m=-4.0), Station(name="b", position_m=-0.5, end_m=0)],
        }
    )
    (piece,) = fold(short)
    assert (piece.start_m, piece.end_m) == (-4.0, 0.0)


def test_a_line_without_turns_is_one_straight_piece(configuration):
    line = configuration.lines["core-1"]
    straight = line.model_copy(update={"zone": [z for z in line.zone if z.pass_number == 1]})
    (piece,) = fold(straight)
    assert (piece.start_m, piece.end_m) == (-6.0, 122.0)


def test_a_drum_whose_name_came_back_says_which_filling_it_is_and_leads_to_the_others(context, record, monkeypatch):
    """A2: pages go by line and number; a bare name means the newest filling of that name."""
    whole = record.drums
    first, second = (replace(d, drum="7/..") for d in whole("core-1", 10**6)[:2][::-1])
    monkeypatch.setattr(record, "drums", lambda *_: [second, first])
    for page in ("drum", "traceability", "release"):
        said = str(route(context, f"/{page}/core-1/filling/{first.filling}").content)
        assert "Filling 1 of 2 of this drum" in said
        assert f"/{page}/core-1/filling/{second.filling}" in said
        assert "Filling 2 of 2" in str(route(context, f"/{page}/core-1/7%2F..").content)
    assert route(context, "/drum/core-1/filling/99").title == "Not found"
    assert route(context, "/drum/core-1/filling/x").title == "Not found"
