"""What people say of cable: a resistance against IEC 60228, a decision that changes no verdict; both are sealed."""

import math

import pytest

from monitor.contract.messages import Action
from monitor.contract.record import WITHDRAWN, Finding, FindingKind, Verdict
from monitor.contract.topics import Stream
from monitor.core import manual_entries
from monitor.core.arrival import Message
from monitor.core.message_order import Released
from monitor.store.audit_trail import entries_of
from tests.core.script import T0, Script, configuration, decoded, pipeline
from tests.core.test_pipeline import core_line, of

RECIPES = configuration().recipes


def noted(ohm: float | None, at_C: float | None = 20.0, recipe: str = "reel-2x2g5", end_m: float = 200.0) -> Finding:
    action = Action(
        n=1, t=1, action="note resistance", by="Mira", start_m=100.0, end_m=end_m, recipe=recipe, ohm=ohm, at_C=at_C
    )
    return manual_entries.resistance("rewind-1", action, RECIPES)


@pytest.mark.parametrize(
    ("ohm", "at_C", "per_km", "verdict"),
    [
        (0.741, 20.0, 7.41, Verdict.CONFORMING),  # IEC 60228, class 1, 2.5 mm2: at most 7.41 (suppliers' tables)
        (0.742, 20.0, 7.42, Verdict.NONCONFORMING),
        (0.8720, 65.0, 7.41, Verdict.CONFORMING),  # 7.41 at 20 degC is 8.7205 at 65 (IEC 60228 annex B)
        (0.873, 65.0, 7.418, Verdict.NONCONFORMING),
    ],
)
def test_a_resistance_is_judged_at_20_C_and_per_km(ohm, at_C, per_km, verdict):
    found = noted(ohm, at_C)
    assert found.extreme == pytest.approx(per_km, abs=1e-3)
    assert (found.limit, found.verdict, found.unit) == (7.41, verdict, "ohm/km")
    assert (found.start_m, found.end_m) == (100.0, 200.0)


@pytest.mark.parametrize("found", [noted(None), noted(1.0, None), noted(1.0, 20.0, "reel-2x2g5", 100.0)])
def test_what_is_not_told_whole_is_noted_without_a_figure(found):
    assert (found.extreme, found.verdict) == (None, Verdict.CONFORMING)


@pytest.mark.parametrize("recipe", ["core-2g5", "none"])
def test_without_a_conductor_in_the_recipe_nothing_is_judged(recipe):
    found = noted(99.0, 20.0, recipe)
    assert (found.limit, found.verdict) == (None, Verdict.CONFORMING)


def test_a_decision_and_a_resistance_travel_and_are_sealed():
    """A14. A name may hold a colon."""

    def says(script: Script, s: int) -> None:
        if s == 20:
            script.send("operator/action", T0 + s, action="sign record", by="Quality: Mira", reason="burned well",
                       drum="C1-0001", decision="release", start_m=1000.0, end_m=1040.0)  # fmt: skip
        if s == 21:
            script.send("operator/action", T0 + s, action="note resistance", by="Olle", drum="C1-0001", ohm=0.3,
                       at_C=20.0, recipe="core-2g5", start_m=1000.0, end_m=1040.0)  # fmt: skip

    out = pipeline().feed(decoded(core_line(40, before=says).sorted()))
    decided, measured = (next(f for f in of(Finding, out) if f.kind == kind) for kind in ("decision", "resistance"))
    assert (decided.check, decided.verdict, decided.text) == ("release", Verdict.CONFORMING, "")
    assert (decided.by, decided.reason) == ("Quality: Mira", "burned well")
    assert (measured.by, measured.reason, measured.text) == ("Olle", "", "0.3 ohm at 20 degC")
    assert measured.extreme == pytest.approx(7.5)
    acts = {(e.who, e.action, e.target, e.reason) for e in entries_of(out)}
    assert ("Quality: Mira", "sign record: release", "1000.0 to 1040.0 m", "burned well") in acts
    assert ("Olle", "note resistance", "1000.0 to 1040.0 m", "0.3 ohm at 20 degC") in acts


def test_what_is_marked_is_a_verdict_only_where_it_is_suspect():
    """D4: there was no repair, no concession, no comment, and a mark could not be taken back."""
    kinds = ("suspect", "repaired", "concession", "comment")

    def acts(script: Script, s: int) -> None:
        if 20 <= s < 24:
            script.send("operator/action", T0 + s, action="mark metres", by="Mira", reason="seen", mark=kinds[s - 20],
                       start_m=1000.0 + s, end_m=1001.0 + s)  # fmt: skip
        if s == 30:
            script.send("operator/action", T0 + s, action="withdraw mark", by="Olle", reason="sound",
                       occurrence=round((T0 + 20) * 1e3), start_m=1020.0, end_m=1021.0)  # fmt: skip

    out = pipeline().feed(decoded(core_line(40, before=acts).sorted()))
    marks = [f for f in of(Finding, out) if f.kind is FindingKind.MARK]
    assert [(f.check, f.verdict) for f in marks] == [
        ("mark", Verdict.SUSPECT), ("repaired", Verdict.CONFORMING), ("concession", Verdict.CONFORMING),
        ("comment", Verdict.CONFORMING), (WITHDRAWN, Verdict.CONFORMING),
    ]  # fmt: skip
    assert marks[-1].key == marks[0].key
    entries = [(e.who, e.action) for e in entries_of(out)]
    assert entries == [
        ("Mira", "mark metres"), ("Mira", "mark metres: repaired"), ("Mira", "mark metres: concession"),
        ("Mira", "mark metres: comment"), ("Olle", "withdraw mark"),
    ]  # fmt: skip


def message(n: int, start: int = 0) -> Message:
    stream = Stream("core-1", "operator", "action")
    body = Action(n=n, t=n, action="acknowledge", by="Mira")
    return Message(stream=stream, n=n, t_s=0.0, end_s=0.0, received_s=0.0, body=body, start=start)


def test_a_response_takes_effect_when_it_arrives_and_names_its_activation_and_its_time():
    """F9."""
    action = Action(
        n=1, t=20_000, action="shelve", by="Mira", reason="why", alarm="a/b/HI", occurrence=12_345, until=80_000
    )
    event = manual_entries.alarm_response(Released(message(1), known_s=25.0, seq=7), action)
    assert (event.known_s, event.seq, event.t_s, event.alarm, event.event) == (25.0, 7, 20.0, "a/b/HI", "shelve")
    assert (event.occurrence_s, event.shelve_for_s, event.by, event.reason) == (12.345, 60.0, "Mira", "why")
    bare = Action(n=1, t=20_000, action="unshelve", by="Mira")
    event = manual_entries.alarm_response(Released(message(1), known_s=-math.inf, seq=0), bare)
    assert (event.known_s, event.alarm, event.occurrence_s, event.shelve_for_s) == (20.0, "", None, None)


def test_a_message_is_known_by_its_number_and_the_oldest_are_forgotten():
    people = manual_entries.People()
    assert people.is_new(message(1))
    assert not people.is_new(message(1))
    assert people.is_new(message(1, start=5))  # of another numbering
    for n in range(2, manual_entries.KEPT + 1):
        assert people.is_new(message(n))
    assert not people.is_new(message(2))
    assert len(people.known) == manual_entries.KEPT
    assert people.is_new(message(1))


@pytest.mark.parametrize(
    ("ends", "span"),
    [((5.0, 9.0), (5.0, 9.0)), ((9.0, 5.0), (5.0, 9.0)), ((5.0, None), (5.0, 5.0)), ((5.0, 0.0), (0.0, 5.0))],
)
def test_a_mark_lies_between_its_ends_whichever_comes_first_at_the_time_of_marking(ends, span):
    action = Action(n=1, t=20_500, action="mark metres", by="Mira", reason="scrape", start_m=ends[0], end_m=ends[1])
    found = manual_entries.mark("core-1", action, {})
    assert (found.start_m, found.end_m, found.start_s, found.end_s) == (*span, 20.5, 20.5)
    assert (found.verdict, found.by, found.reason, found.text) == (Verdict.SUSPECT, "Mira", "scrape", "")
