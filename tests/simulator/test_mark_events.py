"""Scoring of events by hand-made records: found, missed, in several parts, together with another, of nothing."""

from dataclasses import replace

import pytest

from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.record import EventMember, LineEvent, Priority
from simulator.mark_events import Happening, happenings, mark_events
from simulator.truth import Truth
from tests.simulator.made import configuration, made, run_of

STORY = """
[[line.spark]]
kind = "cluster"
at_m = [100.0, 200.0]
count = 3
spread_m = 4.0
[[line.lump]]
height_mm = 0.3
length_m = 3.0
at_m = [150.0]
[[line.instrument]]
stream = "oven-a/temperature"
kind = "drop-out"
at_s = 20.0
for_s = 10.0
"""
LINE, RECIPE = configuration().lines["core-1"], configuration().recipes["core-2g5"]


@pytest.fixture(scope="module")
def truth() -> Truth:
    return run_of(made(STORY), 100.0)[0].truth


def event_for(happening: Happening, i: int) -> LineEvent:
    """The event that a happening wants."""
    member = EventMember(alarm="a/b/c", occurrence_s=happening.start_s, priority=Priority.LOW, active=False)
    return LineEvent(
        line="core-1", event=f"a/b/c@{i}", kind=happening.kinds[0], start_s=happening.start_s, end_s=happening.end_s,
        changed_s=happening.end_s, start_m=happening.start_m, end_m=happening.end_m, touched_from_m=happening.start_m,
        touched_to_m=happening.end_m, members=(member,), faults=0, faults_m=(), spacing_m=None, answered_by="",
        answered_s=None,
    )  # fmt: skip


def perfect_events(truth: Truth, line: Line, recipe: Recipe) -> list[LineEvent]:
    return [event_for(h, i) for i, h in enumerate(happenings(truth, line, recipe)) if h.sure]


def test_each_true_happening_wants_one_event_whatever_gauges_saw_of_it(truth):
    kinds = sorted(h.kinds[0] for h in happenings(truth, LINE, RECIPE) if h.sure)
    assert kinds == ["instrument", "insulation-fault", "insulation-fault", "thick-place"]


def test_a_perfect_record_has_full_marks(truth):
    marked = mark_events(truth, perfect_events(truth, LINE, RECIPE), LINE, RECIPE)
    assert marked.good
    assert marked.true == marked.found == 4


def test_a_missed_a_false_and_a_split_event_are_told(truth):
    first, *rest = perfect_events(truth, LINE, RECIPE)
    assert [len(mark_events(truth, rest, LINE, RECIPE).missed)] == [1]
    twice = [first, replace(first, event="again@1"), *rest]
    assert len(mark_events(truth, twice, LINE, RECIPE).split) == 1
    ghost = replace(first, event="ghost@1", kind="tape-break")
    marked = mark_events(truth, [first, *rest, ghost], LINE, RECIPE)
    assert len(marked.false) == 1
    assert not marked.good


def test_two_happenings_in_one_event_are_hidden_in_it(truth):
    events = perfect_events(truth, LINE, RECIPE)
    faults = [e for e in events if e.kind == "insulation-fault"]
    both = replace(faults[0], end_m=faults[1].end_m)
    marked = mark_events(truth, [*(e for e in events if e not in faults), both], LINE, RECIPE)
    assert len(marked.hidden) == 2
    assert marked.found == 2


def test_the_newest_form_of_an_event_counts(truth):
    events = perfect_events(truth, LINE, RECIPE)
    older = [replace(e, kind="cure") for e in events]
    assert mark_events(truth, [*older, *events], LINE, RECIPE).good
