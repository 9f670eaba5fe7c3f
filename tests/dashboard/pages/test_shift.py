"""The page Shift: metres, stops, indicators and words, by the works' own calendar."""

from dataclasses import replace

import pytest

from dashboard.actions.operator import RejectedActionError, hand_over
from dashboard.context import Context
from dashboard.pages.shift import layout as shift
from dashboard.text import format
from monitor.analysis.shift_calendar import ShiftSpan, shift_at
from monitor.contract.record import FindingKind
from tests.core.script import finding
from tests.dashboard.conftest import NOW_S
from tests.dashboard.fake_record import SPEED_M_PER_MIN, START_S
from tests.dashboard.page_text import text_of

NOW_MS = round(NOW_S * 1e3)


@pytest.fixture
def span(context: Context) -> ShiftSpan:
    works = context.configuration.works
    return shift_at(NOW_MS, works.shift, works.time_zone)


def test_metres_are_those_that_came_to_the_take_up_in_the_shift(context, span):
    """Both lines began 3050 s ago, in this shift: speed times time, and as many metres as the record has rows of."""
    found = shift.of_line(context, context.configuration.lines["core-1"], span, NOW_MS)
    made = SPEED_M_PER_MIN["core-1"] * (NOW_S - START_S) / 60
    assert sum(found.metres.values()) == pytest.approx(made, abs=60)
    assert found.metres["nonconforming"] > 5
    assert found.measures.quality == pytest.approx(found.metres["conforming"] / sum(found.metres.values()))
    assert found.measures.effectiveness == pytest.approx(
        sum(found.metres.values()) / (230 / 60) / (found.measures.availability * (NOW_MS - span.start_ms) / 1e3)
    )


def test_the_page_says_lines_stops_alarms_and_what_wants_an_answer(context, record, monkeypatch):
    states = [(round(START_S * 1e3), "running", ""), (NOW_MS - 900_000, "stopped", "conductor joint"),
              (NOW_MS - 600_000, "running", "")]  # fmt: skip
    monkeypatch.setattr(record, "states", lambda *_: states)
    text = text_of(shift.answer(context, str(NOW_MS)))
    assert "m conforming" in text
    assert "conductor joint" in text
    assert "5 min" in text
    assert "Unacknowledged alarms: " in text


def test_a_line_that_has_never_reported_is_shown_without_figures(context, record, monkeypatch):
    """The whole page failed until every line of the plant had reported once."""
    monkeypatch.setattr(record, "states", lambda line, *_: [] if line == "core-2" else [(0, "running", "")])
    monkeypatch.setattr(record, "lines_now", list)
    text = text_of(shift.answer(context, str(NOW_MS)))
    assert context.configuration.lines["core-2"].title in text
    assert "no data received yet" in text


def test_a_silence_is_no_production(context, record, span):
    calm = shift.of_line(context, context.configuration.lines["core-1"], span, NOW_MS)
    for t_ms, event in ((NOW_MS - 600_000, "raised"), (NOW_MS - 300_000, "returned")):
        record.alarms.append(
            replace(
                record.alarms[0], line="core-1", alarm="line/gateway/silent", t_ms=t_ms, event=event, state="normal"
            )
        )
    quiet = shift.of_line(context, context.configuration.lines["core-1"], span, NOW_MS)
    assert quiet.no_data_s == pytest.approx(310)  # from the last message, 10 s before the alarm
    planned = (NOW_MS - span.start_ms) / 1e3
    assert quiet.measures.availability == pytest.approx(calm.measures.availability - 310 / planned)


def test_the_next_drum_change_is_predicted_from_length_and_speed(context, record, monkeypatch):
    line = context.configuration.lines["core-1"]
    now = context.line_now("core-1")
    left = now.planned_length_m - (now.line_metre + line.counter_m - line.take_up_m - now.drum_start_m)
    assert shift.drum_change_due(context, line, context.line_now("core-1")) == format.local(
        round(now.t_ms + left / now.speed_m_per_s * 1e3), context.zone
    )
    standing = replace(now, speed_m_per_s=0.0)
    monkeypatch.setattr(record, "lines_now", lambda: [standing])
    assert "line stopped" in shift.drum_change_due(context, line, context.line_now("core-1"))
    monkeypatch.setattr(record, "lines_now", lambda: [replace(standing, planned_length_m=10.0)])
    assert shift.drum_change_due(context, line, context.line_now("core-1")) == "now"
    monkeypatch.setattr(record, "lines_now", list)
    assert shift.drum_change_due(context, line, context.line_now("core-1")) == format.NO_VALUE


def test_a_works_without_a_calendar_is_reported_so(context):
    works = context.configuration.works.model_copy(update={"shift": []})
    bare = replace(context, configuration=context.configuration.model_copy(update={"works": works}))
    assert "no shifts" in text_of(shift.answer(bare, str(NOW_MS)))


def test_words_are_signed_and_stand_with_the_record(context, gateway, record, monkeypatch):
    hand_over(context, " Mira ", "drum C1-0007 waits for a look")
    ((line, action),) = gateway.sent
    assert (line, action.action, action.by, action.reason) == (
        "core-1",
        "hand over",
        "Mira",
        "drum C1-0007 waits for a look",
    )
    at = record.metre_at("core-1", NOW_MS)
    one = finding(
        at, at, FindingKind.HANDOVER, start_s=NOW_S, by="Quality: Mira", reason="drum C1-0007 waits for a look"
    )
    monkeypatch.setattr(record, "findings_of_kind", lambda *_: [one])
    text = text_of(shift.handovers(context))
    assert "Quality: Mira" in text
    assert "drum C1-0007 waits" in text


def test_d3_a_handover_is_sent_whole_or_refused_and_never_cut(context, gateway):
    hand_over(context, "Mira", "x" * 8000)
    assert len(gateway.sent[0][1].reason) == 8000
    with pytest.raises(RejectedActionError, match="Shorten the text to 8000 characters: it has 8001"):
        hand_over(context, "Mira", "x" * 8001)
    with pytest.raises(RejectedActionError, match="Shorten the text to 80 characters"):
        hand_over(context, "M" * 81, "words")
    assert len(gateway.sent) == 1


def test_d3_every_open_and_shelved_alarm_and_every_held_drum_is_named(context, record, monkeypatch):
    record.alarms += [replace(record.alarms[0], alarm=f"extra-{i}", t_ms=NOW_MS, state="shelved") for i in range(20)]
    drum = next(d for d in record.drums("core-1") if d.end_m is not None)
    signed = [
        finding(drum.start_m, drum.end_m, FindingKind.DECISION, check=word, start_s=NOW_S - ago, by="Olle", reason=why)
        for word, ago, why in (("hold", 10.0, "lump at 668 m"), ("release", 90.0, "earlier"))
    ]
    monkeypatch.setattr(record, "findings_of_kind", lambda kind, _: signed if kind is FindingKind.DECISION else [])
    text = text_of(shift.answer(context, str(NOW_MS)))
    assert f"Open and shelved alarms ({len(record.alarms_now())})" in text
    named = text.split("Open and shelved alarms")[1].split("held by a signed decision")[0]
    assert named.count("shelved") >= 20
    assert drum.drum in text.split("held by a signed decision")[1]
    assert "lump at 668 m" in text
    signed.reverse()  # the newest is then the release
    assert "earlier" not in text_of(shift.answer(context, str(NOW_MS)))
    assert "lump at 668 m" not in text_of(shift.answer(context, str(NOW_MS)))


def test_d3_what_only_the_release_rule_holds_is_named_until_someone_decides(context, record, monkeypatch):
    drum = next(d for d in record.drums("core-1") if d.end_m is not None)
    by_rule = "held by the release rule"
    assert drum.drum in text_of(shift.answer(context, str(NOW_MS))).split(by_rule)[1]
    signed = finding(drum.start_m, drum.end_m, FindingKind.DECISION, check="release", by="Olle", reason="seen")
    monkeypatch.setattr(record, "findings_of_kind", lambda kind, _: [signed] if kind is FindingKind.DECISION else [])
    assert drum.drum not in text_of(shift.answer(context, str(NOW_MS))).split(by_rule)[1]


def test_d3_a_drum_that_its_alarms_alone_hold_is_named_with_them(context, record, monkeypatch):
    drum = next(d for d in record.drums("core-1") if d.end_m is not None)
    monkeypatch.setattr(record, "findings", lambda *_: [])
    by_rule = "held by the release rule"
    assert drum.drum not in text_of(shift.answer(context, str(NOW_MS))).split(by_rule)[1]
    record.alarms.append(
        replace(record.alarms[0], event="raised", by="", t_ms=drum.start_ms + 1, occurrence_ms=drum.start_ms + 1)
    )
    text = text_of(shift.answer(context, str(NOW_MS))).split(by_rule)[1]
    assert drum.drum in text
    assert "1 alarm during winding of this drum is unacknowledged" in text


def test_d3_what_is_not_listed_is_counted(context, record, monkeypatch):
    stops = [(NOW_MS - 1_000_000 + i * 20_000, "stopped" if i % 2 else "running", "") for i in range(50)]
    monkeypatch.setattr(record, "states", lambda *_: stops)
    text = text_of(shift.answer(context, str(NOW_MS)))
    assert "Stops, longest first (30 shorter ones, 10 min in all, not listed)" in text
    notes = [finding(0, 0, FindingKind.HANDOVER, start_s=NOW_S, by="Mira", reason=f"note {i}") for i in range(30)]
    monkeypatch.setattr(record, "findings_of_kind", lambda _, limit: notes[:limit])
    assert "newest first (the last 10)" in text_of(shift.handovers(context))


@pytest.mark.parametrize(
    ("by", "text", "says"), [("", "x", "Enter your name"), ("Mira", " ", "Enter the handover note")]
)
def test_what_is_wanting_is_reported(context, gateway, by, text, says):
    with pytest.raises(RejectedActionError, match=says):
        hand_over(context, by, text)
    assert gateway.sent == []
