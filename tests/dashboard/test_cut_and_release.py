"""Cutting a drum and its record on paper: nothing bad in a reel, nothing proposed without evidence."""

import re

import pytest

from dashboard.actions.operator import RejectedActionError, note_resistance, sign_record
from dashboard.pages.cutting import layout as cutting
from dashboard.pages.release import layout as release
from monitor.contract.record import Verdict
from monitor.evidence.release_rule import coverage, propose
from tests.dashboard.conftest import NOW_S
from tests.dashboard.pages.test_limits import text_in

NOW_MS = round(NOW_S * 1e3)


@pytest.fixture
def drum(record):
    return next(d for d in record.drums("core-1") if d.end_m)


# ---- cutting -------------------------------------------------------------------------------------------------------


def test_bad_cable_is_told_from_the_outer_end(context, record, drum):
    length = drum.end_m - drum.start_m
    bad = cutting.bad_of_all(context, [drum], True)[drum.key]
    findings = [f for f in record.findings("core-1", drum.start_m, drum.end_m) if f.verdict > Verdict.CONFORMING]
    for f in findings:
        middle = length - ((f.start_m + f.end_m) / 2 - drum.start_m)
        if 0 < middle < length:
            assert any(b.start_m - 1 <= middle <= b.end_m + 1 for b in bad), f
    assert [b.start_m for b in bad] == sorted(b.start_m for b in bad)
    assert len(cutting.bad_of_all(context, [drum], False)[drum.key]) < len(bad)


def test_no_reel_holds_a_bad_metre_or_its_guard(context, drum):
    parts = cutting.answer(context, "core-1", [str(drum.filling)], 3.0, True)
    text = text_in(parts)
    assert "proven optimal" in text
    bad = cutting.bad_of_all(context, [drum], True)[drum.key]
    wanted = cutting.lengths(context.configuration.orders, drum.recipe, NOW_MS, context.zone)
    best = cutting._plan([drum], {drum.key: bad}, 3.0, wanted, 0.1)
    assert best.cuts
    for c in best.cuts:
        assert all(c.end_m <= b.start_m - 3.0 + 1e-6 or c.start_m >= b.end_m + 3.0 - 1e-6 for b in bad)


def test_the_sheet_runs_from_the_outer_end_to_the_last_metre(context, drum):
    text = text_in(cutting.answer(context, "core-1", [str(drum.filling)], 2.0, True))
    stops = [
        float(x.replace("\u202f", ""))
        for x in re.findall(r"([\d\u202f]+\.\d) m\s+[\d\u202f]+\.\d m\s+(?:scrap|left over|stock|[a-z])", text)
    ]
    assert stops == sorted(stops)
    assert stops[-1] == pytest.approx(drum.end_m - drum.start_m, abs=0.2)
    assert "layer" in text
    assert "turn" in text


def test_an_order_that_is_due_counts_for_more(context):
    orders = context.configuration.orders
    due = next(x for x in orders.length if x.due)
    day_before = NOW_MS + round((due.due.toordinal() - 719163) * 86_400_000) - NOW_MS - 86_400_000
    urgent = {x.order: x.worth for x in cutting.lengths(orders, due.product, day_before, "UTC")}
    calm = {x.order: x.worth for x in cutting.lengths(orders, due.product, day_before - 30 * 86_400_000, "UTC")}
    assert urgent[due.order] == pytest.approx(calm[due.order] * 1.1)


@pytest.mark.parametrize(("chosen", "says"), [([], "Choose finished drums"), (["no such"], "Choose finished drums")])
def test_what_cannot_be_cut_is_said(context, chosen, says):
    assert says in text_in(cutting.answer(context, "core-1", chosen, 2.0, True))


def test_drums_of_two_products_are_not_planned_together(context, record, drum, monkeypatch):
    from dataclasses import replace

    other = replace(drum, filling=99, drum="other", recipe="core-1g5")
    monkeypatch.setattr(record, "drums", lambda _line, _limit: [drum, other])
    assert "one product" in text_in(cutting.answer(context, "core-1", [str(drum.filling), "99"], 2.0, True))


# ---- the record on paper -------------------------------------------------------------------------------------------


def test_release_is_proposed_only_with_nothing_against_it():
    whole = {v.word: 0.0 for v in Verdict} | {"conforming": 1000.0}
    assert propose(True, 1000.0, whole, {"a/b": 1.0}, 0, True).word == "may be released"
    for against in (
        propose(False, 1000.0, whole, {}, 0, True),
        propose(True, 1000.5, whole | {"unverified": 0.5}, {}, 0, True),
        propose(True, 1000.5, whole | {"suspect": 0.5}, {}, 0, True),
        propose(True, 1000.5, whole | {"nonconforming": 0.5}, {}, 0, True),
        propose(True, 1000.0, whole, {"a/b": 0.999}, 0, True),
        propose(True, 1000.0, whole, {}, 1, True),
        propose(True, 1000.0, whole, {}, 0, False),
        propose(True, 1001.0, whole, {}, 0, True),
        propose(True, 1000.0, whole, {}, 0, True, ["the conductor's resistance was not measured"]),
    ):
        assert against.word == "hold"
        assert len(against.reasons) == 1


def test_coverage_is_the_share_of_metres_seen():
    import numpy as np

    assert coverage({"a": np.array([1.0, np.nan, 3.0, 4.0])}, ["a", "b"]) == {"a": 0.75, "b": 0.0}


def test_the_sheet_says_what_stands_against_release(context, drum):
    text = text_in(release.content(context, drum))
    assert "Proposed disposition (automatic): hold" in text
    assert "nonconforming" in text
    assert "Release is decided by an authorised person" in text
    assert "Signature" in text


def test_the_api_gives_the_same_record(client, drum):
    got = client.get(f"/api/v1/release?line=core-1&filling={drum.filling}").get_json()
    assert got["drum"] == drum.drum
    assert got["proposed"] == "hold"
    assert got["length_m"] == pytest.approx(drum.end_m - drum.start_m)
    assert sum(got["metres"].values()) == pytest.approx(got["length_m"], abs=25)
    assert got["journal_last_hash"] == "ab" * 32
    assert client.get("/api/v1/release?line=core-1&drum=none").status_code == 400


@pytest.mark.parametrize(
    ("decision", "by", "reason", "says"),
    [
        (None, "Mira", "x", "Choose a decision"),
        ("release", "", "x", "Enter your name"),
        ("release", "Mira", " ", "reason"),
    ],
)
def test_a_decision_that_lacks_something_is_not_sent(context, gateway, drum, decision, by, reason, says):
    with pytest.raises(RejectedActionError, match=says):
        sign_record(context, "core-1", drum.filling, decision, by, reason)
    assert gateway.sent == []


def test_a_decision_and_a_resistance_name_the_drum_and_its_metres(context, gateway, drum):
    sign_record(context, "core-1", drum.filling, "release", "Mira", "all seen")
    note_resistance(context, "core-1", drum.filling, 2.5, 21, "Olle")
    (_, signed), (_, noted) = gateway.sent
    assert (signed.drum, signed.decision, signed.start_m, signed.end_m) == (
        drum.drum, "release", drum.start_m, drum.end_m,
    )  # fmt: skip
    assert (noted.ohm, noted.at_C, noted.recipe, noted.drum) == (2.5, 21.0, drum.recipe, drum.drum)


@pytest.mark.parametrize(
    ("ohm", "at_C", "says"), [(0, 20, "above 0"), (None, 20, "above 0"), (1.0, 200, "temperature")]
)
def test_a_resistance_that_cannot_be_is_not_sent(context, gateway, drum, ohm, at_C, says):
    with pytest.raises(RejectedActionError, match=says):
        note_resistance(context, "core-1", drum.filling, ohm, at_C, "Olle")
    assert gateway.sent == []


def test_nothing_is_decided_of_a_drum_that_is_being_wound(context, record):
    wound = next(d for d in record.drums("core-1") if d.end_m is None)
    with pytest.raises(RejectedActionError, match="still being wound"):
        sign_record(context, "core-1", wound.filling, "hold", "Mira", "x")
    with pytest.raises(RejectedActionError, match="still being wound"):
        note_resistance(context, "core-1", wound.filling, 1.0, 20, "Mira")
