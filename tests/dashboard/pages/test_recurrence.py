"""The page Recurring: what it says of a record in which a wheel marks the cable, and of work that helped."""

import numpy as np
import pytest

from dashboard.actions.operator import RejectedActionError, note_work
from dashboard.figures.recurrence import fold_figure
from dashboard.pages.recurrence import layout as recurrence
from monitor.contract.record import Finding, FindingKind, Verdict
from tests.core.script import finding
from tests.dashboard.conftest import NOW_S
from tests.dashboard.fake_record import FIRST_L_M, SPEED_M_PER_MIN, START_S, FakeRecord
from tests.dashboard.page_text import text_of

EVENT = "fault:spark-electrode/spark-fault"


def fault(at: float, kind: str = "fault", stream: str = "spark-electrode/spark-fault", **more: str) -> Finding:
    t = START_S + (at - FIRST_L_M["core-1"]) * 60 / SPEED_M_PER_MIN["core-1"]
    half = 0.5 if kind == "fault" else 0.0
    verdict = Verdict.NONCONFORMING if kind == "fault" else Verdict.CONFORMING
    times = {"start_s": t, "end_s": t, "extreme": 1.0}
    return finding(at - half, at + half, FindingKind(kind), stream=stream, check=kind, verdict=verdict, **times, **more)


@pytest.fixture
def marked(record: FakeRecord, monkeypatch: pytest.MonkeyPatch) -> FakeRecord:
    """A capstan wheel of 2.513 m marks a third of its turns for 4 km, then someone turned it."""
    rng = np.random.default_rng(1)
    turns = 20_000 + np.arange(0, 4000, 2.513)
    found = [fault(x) for x in turns[rng.random(len(turns)) < 0.3] + rng.normal(0, 0.03)]
    found += [fault(x) for x in rng.uniform(20_000, 31_000, 40)]
    found.append(fault(24_010.0, "work", "capstan/work", by="Olle", reason="wheel turned"))
    found.sort(key=lambda f: f.start_m)
    monkeypatch.setattr(
        record,
        "findings",
        lambda line, a, b: [f for f in found if line == "core-1" and a <= f.end_m and f.start_m <= b],
    )
    return record


def test_the_wheel_is_named_with_period_rivals_and_fold(context, marked):
    found = recurrence.answer(context, "core-1", EVENT, "30", 0.4, 20.0)
    text = text_of(found.parts)
    assert "Period 2.513 m" in text
    assert "Capstan wheel: expected spacing 2.513 m" in text
    assert "its half" in text
    assert "Repeats per: undetermined" in text
    assert found.period == pytest.approx(2.513, abs=1e-3)
    figure = fold_figure(found.x, found.period, "m")
    across = np.array(figure.data[0].x) / found.period
    assert np.median(np.abs(across - 0.5)) < 0.05  # what keeps it stands in the middle
    assert "Origin of faults" in text_of(found.more)
    assert "Conditions before the fault" in text_of(found.more)


def test_d11_the_page_opens_on_what_has_most_to_say(context, record, marked, monkeypatch):
    """D11: not on the first line's first kind whatever is there; the address may choose something else."""
    assert recurrence.busiest(context) == recurrence.RecurrenceChoice("core-1", EVENT, "10")
    monkeypatch.setattr(
        record,
        "findings",
        lambda line, a, b: (
            [fault(20_100.0 + i, "mark", "operator/action") for i in range(9)] if line == "core-2" else []
        ),
    )
    assert recurrence.busiest(context) == recurrence.RecurrenceChoice("core-2", "mark:", "10")
    assert recurrence.asked(context, "?line=core-1&what=window:&drums=30") == recurrence.RecurrenceChoice(
        "core-1", "window:", "30"
    )
    assert recurrence.asked(context, "?line=core-2&what=none&drums=7") == recurrence.RecurrenceChoice(
        "core-2", "mark:", "10"
    )
    assert recurrence.asked(context, "?line=nowhere") is None


def test_d11_too_few_events_in_the_newest_drums_are_looked_for_in_more(context, record, monkeypatch):
    drums = record.drums("core-1", 2)
    monkeypatch.setattr(record, "drums", lambda line, limit: drums[: 1 if limit < 100 else 2])
    old = drums[1].start_m + 10.0
    found = [fault(old + 3 * i) for i in range(8)]
    monkeypatch.setattr(record, "findings", lambda line, a, b: [f for f in found if a <= f.start_m < b])
    assert recurrence.busiest(context, "core-1") == recurrence.RecurrenceChoice("core-1", EVENT, "100")


def test_a_repair_that_helped_is_reported_to_have_helped(context, marked):
    text = text_of(recurrence.work(context, "core-1", EVENT, "30"))
    assert "Olle: wheel turned" in text
    assert "it fell" in text
    assert "The rate changed at line metre" in text


def test_a_diameter_is_looked_through_as_a_signal(context, record):
    """The fake record's diameter swings with 2 pi / 1.7 per metre of its rows, in time at 230 m/min."""
    found = recurrence.answer(context, "core-1", "signal:cold-gauge/diameter-x", "3", 0.4, 40.0)
    text = text_of(found.parts)
    assert "Period " in text
    assert "times its floor" in text
    assert found.shade is not None
    assert len(fold_figure(found.x, 5.0, "m", found.shade, found.shade_at).data) == 2


def test_an_oven_is_looked_through_in_seconds(context, record):
    """The fake record's ovens swing with 2 pi / 1.3, in seconds."""
    found = recurrence.answer(context, "core-1", "cycle:oven-b/temperature", "3", 2.0, 60.0)
    text = text_of(found.parts)
    assert "It comes back every 4.833 s" in text or "s (" in text
    assert found.unit == "s"


def test_faults_at_one_place_of_every_drum_are_reported(context, marked, monkeypatch):
    drums = [d for d in marked.drums("core-1") if d.end_m]
    x = np.sort([d.start_m + 100.0 + 5 * i for d in drums for i in range(8)])
    text = text_of(recurrence._by_place(context, recurrence.cable(context, "core-1", "30"), x, START_S + x))
    assert "Position on the drum: most at" in text
    assert "of the length" in text


def test_few_faults_and_strange_ranges_are_reported(context, record, monkeypatch):
    monkeypatch.setattr(record, "findings", lambda *_: [fault(20_100.0)])
    found = recurrence.answer(context, "core-1", EVENT, "3", 0.4, 20.0)
    assert "only 1 events" in text_of(found.parts)
    assert found.period is None
    assert "Search spacing" in text_of(recurrence.answer(context, "core-1", EVENT, "3", 5.0, 1.0).parts)
    monkeypatch.setattr(record, "drums", lambda *_: [])
    assert "No drum" in text_of(recurrence.answer(context, "core-1", EVENT, "3", 0.4, 20.0).parts)


def test_work_is_noted_with_name_place_and_deed(context, gateway):
    note_work(context, "core-1", "capstan", " Olle ", "wheel turned")
    ((line, action),) = gateway.sent
    assert (line, action.action, action.by, action.station, action.reason) == (
        "core-1", "note work", "Olle", "capstan", "wheel turned",
    )  # fmt: skip
    assert action.t == round(NOW_S * 1e3)


@pytest.mark.parametrize(
    ("station", "by", "done", "says"),
    [
        ("capstan", "", "x", "Enter your name"),
        (None, "Olle", "x", "where it was done"),
        ("capstan", "Olle", " ", "what was done"),
    ],
)
def test_what_is_wanting_is_reported(context, gateway, station, by, done, says):
    with pytest.raises(RejectedActionError, match=says):
        note_work(context, "core-1", station, by, done)
    assert gateway.sent == []


def test_how_long_before_is_reported_in_metres_and_seconds():
    assert recurrence._offset(-23.0, 230.0 / 60) == "23 m, 6.0 s, earlier on the drum"
    assert recurrence._offset(4.0, float("nan")) == "4 m later on the drum"
    assert recurrence._offset(0.0, 230.0 / 60) == "at the fault"
