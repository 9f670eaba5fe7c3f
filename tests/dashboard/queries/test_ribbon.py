"""The ribbon's laws: no metre is lost or counted twice, and both ends tell of the same place."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.components.ribbon import in_words, ribbon
from dashboard.queries.ribbon import full_scale_m, outer_m, packed, place_percent
from monitor.contract.record import Verdict
from monitor.evidence.verdict_runs import Run, laid_over, lengths_m, runs

VERDICTS = st.lists(st.integers(0, 3), min_size=1, max_size=300).map(lambda v: np.array(v, dtype=np.int8))


@given(VERDICTS, st.integers(0, 10**6), st.floats(0, 0.99), st.floats(0, 0.99))
def test_every_metre_stands_in_exactly_one_run(verdicts, first, cut_a, cut_b):
    start, end = first + cut_a, first + len(verdicts) - cut_b
    if end <= start:
        return
    found = runs(first, verdicts, start, end)
    assert found[0].start_m == pytest.approx(0.0, abs=1e-6)
    assert found[-1].end_m == pytest.approx(end - start, abs=1e-6)
    assert all(a.end_m == b.start_m for a, b in itertools.pairwise(found))
    assert all(a.verdict is not b.verdict for a, b in itertools.pairwise(found))
    assert sum(lengths_m(found).values()) == pytest.approx(end - start, abs=1e-6)


@given(VERDICTS)
def test_metres_of_a_verdict_are_as_many_as_were_judged_so(verdicts):
    total = lengths_m(runs(0, verdicts, 0.0, float(len(verdicts))))
    assert {v: total[v] for v in Verdict} == {v: np.count_nonzero(verdicts == v) for v in Verdict}


@given(st.floats(0, 5000), st.floats(1, 5000))
def test_a_place_counted_from_both_ends_adds_up_to_the_length(metre, length):
    assert outer_m(metre, length) + metre == pytest.approx(length)
    assert outer_m(outer_m(metre, length), length) == pytest.approx(metre, abs=1e-6)


@given(st.lists(st.floats(0.1, 500), min_size=1, max_size=40))
def test_widths_on_the_strip_are_in_proportion_and_never_leave_it(lengths):
    edges = np.concatenate(([0.0], np.cumsum(lengths)))
    places = [place_percent(a, b, edges[-1]) for a, b in itertools.pairwise(edges)]
    assert sum(width for _, width in places) == pytest.approx(100.0)
    assert all(0 <= left <= 100 and left + width <= 100 + 1e-9 for left, width in places)


def test_what_lies_outside_the_drum_takes_no_room():
    assert place_percent(-5.0, -1.0, 100.0) == (0.0, 0.0)
    assert place_percent(120.0, 130.0, 100.0) == (100.0, 0.0)


def test_the_scale_is_the_plan_until_more_was_wound():
    assert full_scale_m(120.0, 4000.0) == 4000.0
    assert full_scale_m(4100.0, 4000.0) == 4100.0
    assert full_scale_m(0.0, None) == 1.0


def test_a_drum_of_nothing_is_an_empty_ribbon():
    assert runs(0, np.empty(0, np.int8), 0.0, 0.0) == []
    assert lengths_m([]) == dict.fromkeys(Verdict, 0.0)


def test_the_ribbon_says_in_words_what_it_shows():
    of = [Run(0.0, 90.0, Verdict.CONFORMING), Run(90.0, 91.0, Verdict.NONCONFORMING)]
    assert in_words(of, 91.0) == "91 m wound; 1 m nonconforming"
    assert in_words(of[:1], 90.0) == "90 m wound; no faults recorded"
    classes = [part.className for part in ribbon(of, 91.0, 100.0).children]
    assert classes == ["wound", "run conforming", "run nonconforming"]


def test_runs_travel_as_short_lists():
    assert packed([Run(0.04, 90.06, Verdict.UNVERIFIED)]) == [[0.0, 90.1, 2]]


@given(st.lists(st.tuples(st.integers(1, 20), st.sampled_from(Verdict)), min_size=1, max_size=8),
       st.lists(st.tuples(st.integers(0, 100), st.integers(1, 30), st.sampled_from(Verdict)), max_size=5))  # fmt: skip
def test_what_is_laid_over_is_the_graver_at_every_metre(own, more):
    at, under = 0, []
    for length, verdict in own:
        under.append(Run(at, at + length, verdict))
        at += length
    over = [Run(a, a + length, verdict) for a, length, verdict in more]
    laid = laid_over(under, over)
    assert sum(r.length_m for r in laid) == at
    for metre in range(at):
        want = max(r.verdict for r in [*under, *over] if r.start_m <= metre < r.end_m)
        assert next(r.verdict for r in laid if r.start_m <= metre < r.end_m) is want
