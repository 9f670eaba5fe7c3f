"""The page Limits: choosing, comparing, proposing; and who may."""

from collections.abc import Sequence
from dataclasses import replace

import pytest
from dash import html

from dashboard.actions import proposals
from dashboard.actions.operator import RejectedActionError
from dashboard.context import Context
from dashboard.figures.rehearsal import suggestion_figure
from dashboard.pages.limits import layout as limits
from dashboard.pages.limits.callbacks import _set, _words
from monitor.analysis.activations import Activation
from monitor.analysis.rehearse import Asked, AskedLimit, Fault, Side, compare
from monitor.analysis.suggest import Candidate, Suggestion
from monitor.contract.config.limits import limits_of, with_limits
from monitor.contract.config.recipe import Recipe
from monitor.contract.reading import ProposalRow, RevisionRow
from monitor.contract.record import Finding
from monitor.evidence.whole_drum import whole_drum
from tests.core import script
from tests.dashboard.conftest import NOW_S
from tests.dashboard.page_text import text_of

HI = "window/oven-b/temperature/hi"
GROUP = "window/oven-b/temperature"


@pytest.fixture
def recipe(context: Context) -> Recipe:
    return context.recipes("core-1")["core-2g5"]


def came(recipe: Recipe, revision: int = 2, hi: float = 318.0) -> RevisionRow:
    new = with_limits(recipe, {HI: hi}, revision)
    return RevisionRow(
        line="core-1",
        recipe=new,
        t_ms=round(NOW_S * 1e3) - 5000,
        line_metre=31_000.0,
        by="Mira",
        approved_by="Olle",
        reason="too tight",
        changes={HI: hi},
    )


def test_pages_show_the_limits_in_force_on_their_line(context, record, recipe):
    record.came.append(came(recipe))
    assert limits_of(context.recipe("core-1", "core-2g5"))[HI] == 318.0
    assert limits_of(context.recipe("core-2", "core-2g5"))[HI] == 315.0
    assert limits_of(context.recipe("core-1", "core-2g5", 1))[HI] == 315.0
    assert limits_of(context.recipe("core-1", "core-2g5", 2))[HI] == 318.0


def test_a_drum_names_the_revisions_it_was_judged_by(context, record, recipe):
    drum = next(d for d in record.drums("core-1") if d.end_m)
    row = came(recipe)
    record.came.append(replace(row, line_metre=drum.start_m + 1234.5))
    text = whole_drum(context, drum).revisions
    assert text == f"{drum.recipe}, revision 1, revision 2 from 1\u202f234.5 m on"


def test_revisions_are_listed_and_all_but_the_one_in_force_can_come_back(context, record, recipe):
    record.came.append(came(recipe))
    text = text_of(limits.in_force(context))
    assert "Mira, approved by Olle" in text
    assert "31\u202f000 m" in text
    assert text.count("Restore this revision") == 1


def test_every_limit_has_a_group_a_field_and_a_unit(context, recipe):
    groups = {g["value"] for g in limits.groups(context, "core-1", recipe)}
    assert {key.rpartition("/")[0] for key in limits_of(recipe)} == groups
    for key in limits_of(recipe):
        assert limits.unit_of(context, "core-1", key) in (
            "degC",
            "mm",
            "m/min",
            "s",
            "m",
            "kV",
            "1",
            "bar",
            "rpm",
            "%",
            "N",
        )
    text = text_of(limits.fields(context, "core-1", recipe, GROUP, {HI: 318.0}))
    assert "in force: 315 \N{DEGREE SIGN}C" in text
    assert "318" in text
    assert "on-delay in s" in text
    assert "on-delay in m" in text


def test_what_is_changed_is_listed_and_what_cannot_be_is_reported(context, recipe):
    assert "No changes yet" in text_of(limits.changed(context, "core-1", recipe, {}))
    text = text_of(limits.changed(context, "core-1", recipe, {HI: 318.0, "cure/index_warn": None}))
    assert "Oven B temperature: HI" in text
    assert "318" in text
    assert "must rise" in text_of(limits.changed(context, "core-1", recipe, {HI: 100.0}))


DEADBAND = "window/oven-b/temperature/deadband"


@pytest.mark.parametrize(
    ("key", "typed", "says"),
    [
        (HI, "abc", "expected a number"),
        (HI, "1e9", "must rise"),
        ("window/oven-b/temperature/hihi", "1e9", "measuring range"),
        ("window/oven-b/temperature/lolo", "-300", "below -273.15"),
        ("window/oven-b/temperature/lolo", "-20", "expected 0 to 500 degC, the instrument's measuring range"),
        (DEADBAND, "50", "an alarm would never return"),
        (HI, "100", "must rise"),
    ],
)
def test_c20_a_limit_that_cannot_be_is_refused_with_a_sentence_and_not_proposed(
    context, gateway, recipe, key, typed, says
):
    changes, wrong = limits.read(context, "core-1", recipe, {}, {key: typed})
    assert says in wrong.get(key, "") + text_of(limits.changed(context, "core-1", recipe, changes))
    if key in changes:  # the page's own reading is not the only guard
        with pytest.raises(RejectedActionError, match=says):
            proposals.propose(context, ["core-1"], "core-2g5", changes, "Mira", "why", "rehearsed")
    assert gateway.sent == []


def test_c20_a_word_in_a_field_does_not_take_the_limit_out_but_an_empty_field_does(context, recipe):
    assert limits.read(context, "core-1", recipe, {HI: 318.0}, {HI: "abc"})[0] == {}
    assert limits.read(context, "core-1", recipe, {}, {HI: ""}) == ({HI: None}, {})
    assert limits.read(context, "core-1", recipe, {}, {HI: "315 \N{DEGREE SIGN}C"}) == ({}, {})


def test_a_field_put_back_is_no_change(recipe):
    present = limits_of(recipe)
    kept = _set({}, present, HI, 318.0)
    assert kept == {HI: 318.0}
    assert _set(kept, present, HI, 315.0) == {}
    assert _set(kept, present, "no/such", 1.0) == kept


def found(hi_times: Sequence[float], other: Sequence[Finding] = ()) -> Side:
    raised = [
        Activation(
            line="core-1", alarm="oven-b/temperature/HI", priority="medium", t_s=t, end_s=t + 20.0, line_metre=20_000.0
        )
        for t in hi_times
    ]
    finding = [
        script.finding(20_000.0 + t - NOW_S, 20_010.0 + t - NOW_S, stream="oven-b/temperature", start_s=t, end_s=t + 5)
        for t in hi_times
    ]
    return Side(tuple(raised), (*finding, *other))


def test_a_comparison_is_shown_in_words_numbers_and_a_picture(context):
    asked = Asked(
        line="core-1",
        start_ms=round((NOW_S - 3600) * 1e3),
        end_ms=round(NOW_S * 1e3),
        changes={"core-2g5": {HI: 318.0}},
    )
    both = compare(found([NOW_S - 900, NOW_S - 300]), found([NOW_S - 890]), [Fault(19_100.0, 19_105.0, "event")])
    parts, words = limits.comparison(context, asked, both, GROUP)
    text = text_of(parts)
    assert "16 alarms per shift become 8" in words
    assert "Oven B temperature: HI" in text
    assert "0 sooner, 1 later, +10.0 s median" in text
    assert "19\u202f100.0 to 19\u202f105.0 m" in text
    figure = next(p.figure for p in parts if getattr(p, "id", "") == "limits-trend")
    labels = " ".join(a.text for a in figure.layout.annotations)
    assert "HI 315 as it was" in labels
    assert "HI 318 rehearsed" in labels
    assert "as it was: 2" in labels
    assert "rehearsed: 1" in labels


def test_a_suggestion_is_drawn_and_can_be_taken(context):
    tried = tuple(
        Candidate(
            deadband=b,
            on_delay_s=d,
            nuisance=20 - int(10 * b + d),
            detected=2,
            missed=0,
            delay_median_s=d,
            delay_worst_s=d + 1,
        )
        for b in (0.0, 1.0)
        for d in (0.0, 5.0)
    )
    asked = AskedLimit(
        line="core-1", limit="oven-b/temperature/HI", start_ms=0, end_ms=8 * 3_600_000, most_per_shift=2.0
    )
    parts = limits.suggestion(context, asked, Suggestion(tried[3], tried, "because"))
    assert "because" in text_of(parts)
    assert parts[-2].id == {"type": "take", "what": "window/oven-b/temperature|1.0|5.0"}
    assert [t.name for t in suggestion_figure(Suggestion(tried[3], tried, ""), 1.0).data] == [
        "deadband 0", "deadband 1", "suggested",
    ]  # fmt: skip
    nothing = limits.suggestion(context, asked, Suggestion(None, (), "nothing near"))
    assert [type(p) for p in nothing] == [html.P]


def test_the_words_are_of_these_very_limits():
    about = {"line": "core-1", "changes": {"core-2g5": {HI: 318.0}}, "words": "16 become 8"}
    assert _words(about, "core-2g5", {HI: 318.0}) == "16 become 8"
    assert _words(about, "core-2g5", {HI: 319.0}) == ""
    assert _words(None, "core-2g5", {}) == ""


def test_open_proposals_have_their_steps_and_decided_ones_their_end(context, record):
    row = ProposalRow(
        line="core-1",
        proposal="P1",
        recipe="core-2g5",
        base=1,
        state="proposed",
        changes={HI: 318.0},
        by="Mira",
        reason="too tight",
        t_ms=round(NOW_S * 1e3),
        rehearsal="16 become 8",
        decided_by="",
        decided_reason="",
        decided_ms=None,
        revision=None,
    )
    record.proposed[:] = [row, replace(row, proposal="P0", state="approved", decided_by="Olle", revision=2)]
    text = text_of(limits.proposals(context))
    assert text.count("Approve") == text.count("Reject") == text.count("Withdraw") == 1
    assert "approved by Olle: revision 2" in text
    assert "Oven B temperature: HI 318" in text
