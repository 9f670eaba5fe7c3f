"""Drums on the take-up: intervals that join without a gap, changes that are none, and what is rejected."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.messages import DrumChange
from monitor.contract.record import DrumSpan
from monitor.core.alarms import AlarmEvent
from monitor.core.drums import Drums
from tests.core.script import configuration

LINE, RECIPE = configuration().lines["core-1"], configuration().recipes["core-2g5"]


def put_on(name: str | None, recipe: str = "core-2g5") -> DrumChange:
    return DrumChange(n=0, t=0, drum=name, recipe=recipe)


@given(st.lists(st.tuples(st.floats(0.1, 500.0), st.sampled_from(["A", "B", None])), max_size=12))
def test_every_metre_is_on_at_most_one_drum_and_drums_that_follow_meet(steps):
    drums, at_m, begun = Drums(line=LINE), 0.0, []
    for i, (step, name) in enumerate(steps):
        at_m += step
        change = put_on(name, "core-2g5" if name else "")
        if not drums.is_on(change):
            begun += [s for s in drums.change(change, RECIPE, float(i), at_m) if isinstance(s, DrumSpan)]
    ended = {s.filling: s for s in begun}
    assert list(ended) == list(range(1, len(ended) + 1))
    metres = np.arange(0.0, at_m + 1.0)
    holding = sum(np.asarray(metres + 0.5 >= s.start_m) & (metres + 0.5 < (s.end_m or np.inf)) for s in ended.values())
    assert np.max(holding, initial=0) <= 1
    assert np.array_equal(drums.hold(metres), np.asarray(holding) > 0) or not ended


def test_the_drum_that_is_on_named_again_is_no_change_and_another_recipe_for_it_is_rejected():
    """R23 of the rules for publishers."""
    drums = Drums(line=LINE)
    assert drums.is_on(put_on(None, ""))
    list(drums.change(put_on("A"), RECIPE, 0.0, 100.0))
    assert drums.is_on(put_on("A", "other"))
    assert list(drums.rejected(put_on("A"), 1.0, True)) == []
    (rejected,) = drums.rejected(put_on("A", "other"), 1.0, True)
    assert "drum A is on already with recipe core-2g5, which stays; got recipe other" in rejected.why


def test_with_no_drum_on_only_no_drum_and_no_recipe_is_no_change():
    """A line that is set up for a recipe before its first drum is changed by that."""
    drums = Drums(line=LINE)
    changes = [put_on(None, ""), put_on(None), put_on("A", ""), put_on("A")]
    assert [drums.is_on(c) for c in changes] == [True, False, False, False]
    list(drums.change(put_on("A"), RECIPE, 0.0, 100.0))
    assert [drums.is_on(c) for c in changes] == [False, False, True, True]


def test_what_a_drum_holds_depends_on_its_kind_and_reaches_around_it():
    drums = Drums(line=LINE)
    for i, name in enumerate(["A", "B", None]):
        list(drums.change(put_on(name, "core-2g5" if name else ""), RECIPE, 10.0 * i, 100.0 + 20.0 * i))
    metres = np.arange(98.0, 142.0)
    assert metres[drums.hold(metres)].tolist() == list(range(100, 140))
    assert metres[drums.hold(metres, lambda span: span.drum == "B")].tolist() == list(range(120, 140))
    assert metres[drums.hold(metres, lambda span: span.drum == "A", around_m=1.0)].tolist() == list(range(99, 121))


def test_a_drum_begins_and_ends_with_the_cable_at_the_knife():
    drums = Drums(line=LINE)
    change = DrumChange(n=0, t=0, drum="A", recipe="core-2g5", planned_length_m=2000.0)
    (on,) = drums.change(change, RECIPE, 5.0, 100.25)
    assert on == DrumSpan(
        line=LINE.line, filling=1, drum="A", recipe="core-2g5", revision=RECIPE.revision, start_m=100.25, end_m=None,
        start_s=5.0, end_s=None, planned_length_m=2000.0,
    )  # fmt: skip
    ended, _ = drums.change(put_on("B"), RECIPE, 9.0, 180.5)
    assert (ended.drum, ended.end_m, ended.end_s) == ("A", 180.5, 9.0)
    assert [s.end_m for s in drums.spans] == [180.5, None]
    assert drums.fillings.kept == drums.spans
    drums.forget_before(180.4)
    assert len(drums.spans) == 2
    drums.forget_before(180.5)
    assert [s.drum for s in drums.spans] == ["B"]


def test_a_recipe_that_is_not_known_is_rejected_by_name_and_the_drum_is_on_all_the_same():
    drums = Drums(line=LINE)
    (rejected,) = drums.rejected(put_on("A", "other"), 1.0, False)
    assert rejected.kind == "unknown recipe"
    (span,) = drums.change(put_on("A", "other"), None, 1.0, 100.0)
    assert (drums.on, span.revision) == (span, 0)


def test_a_name_that_comes_back_is_reported_each_time():
    drums, events = Drums(line=LINE), []
    for i, name in enumerate(["A", "B", "A", "B"]):
        found = drums.change(put_on(name), RECIPE, 10.0 * i, 100.0 * i)
        events += [(e.event, e.t_s) for e in found if isinstance(e, AlarmEvent)]
    assert events == [("raised", 20.0), ("returned", 30.0), ("raised", 30.0)]


def test_drums_are_forgotten_once_all_their_rows_are_given_out():
    drums = Drums(line=LINE)
    for i, name in enumerate(["A", "B", "C"]):
        list(drums.change(put_on(name), RECIPE, 10.0 * i, 100.0 * i))
    drums.forget_before(100.0)
    assert [s.drum for s in drums.spans] == ["B", "C"]
    assert drums.filling_at(150.0, 250.0).drum == "B"
    assert drums.filling_at(250.0, 220.0) is None
    assert drums.filling_at(None, np.nan).drum == "C"
