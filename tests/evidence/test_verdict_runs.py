"""Runs of verdicts: nothing of a drum is lost or doubled, and the graver verdict wins on every metre."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.record import Verdict
from monitor.evidence.verdict_runs import Run, joined, laid_over, lengths_m, runs

VERDICTS = st.lists(st.sampled_from(list(Verdict)), max_size=30)
SPANS = st.lists(st.tuples(st.floats(-5, 35), st.floats(0.1, 20), st.sampled_from(list(Verdict))), max_size=4)


def of(verdicts: list[Verdict], first: int = 0, start: float = 0.0, end: float | None = None) -> list[Run]:
    return runs(first, np.array(verdicts, dtype=np.int8), start, len(verdicts) if end is None else end)


@given(verdicts=VERDICTS, start=st.floats(0, 30), length=st.floats(0, 40))
def test_runs_cover_what_is_known_of_the_drum_once(verdicts, start, length):
    found = of(verdicts, 10, start, start + length)
    known = max(min(start + length, 10 + len(verdicts)) - max(start, 10), 0.0)
    assert sum(lengths_m(found).values()) == pytest.approx(known, abs=1e-9)
    for a, b in pairwise(found):
        assert a.end_m == b.start_m
        assert a.verdict is not b.verdict
    for run in found:
        at = int(np.floor((run.start_m + run.end_m) / 2 + start)) - 10
        assert verdicts[at] is run.verdict


@given(verdicts=VERDICTS, spans=SPANS)
def test_what_is_laid_over_wins_where_it_is_graver(verdicts, spans):
    own, more = of(verdicts), [Run(a, a + length, v) for a, length, v in spans]
    laid = laid_over(own, more)
    assert sum(lengths_m(laid).values()) == pytest.approx(len(verdicts), abs=1e-9)
    for run in laid:
        middle = (run.start_m + run.end_m) / 2
        here = [verdicts[int(middle)], *(m.verdict for m in more if m.start_m <= middle < m.end_m)]
        assert run.verdict is max(here)
    assert laid_over(own, []) == own
    assert laid_over([], more) == []


@given(verdicts=VERDICTS, cuts=st.sets(st.integers(1, 29), max_size=6))
def test_runs_that_touch_and_agree_are_one(verdicts, cuts):
    whole = of(verdicts)
    pieces = []
    for run in whole:
        edges = [run.start_m, *(float(c) for c in sorted(cuts) if run.start_m < c < run.end_m), run.end_m]
        pieces += [Run(a, b, run.verdict) for a, b in pairwise(edges)]
    assert joined(pieces) == whole


def test_every_verdict_has_its_length():
    assert lengths_m([]) == dict.fromkeys(Verdict, 0.0)
