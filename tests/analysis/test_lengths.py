"""Metres by verdict: nothing is lost or doubled, whatever the interval."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.analysis.lengths import metres_by_verdict
from monitor.contract.record import Verdict

VERDICTS = st.lists(st.sampled_from(list(Verdict)), max_size=30)
METRES = st.floats(0, 40)


def test_rows_at_the_ends_count_as_far_as_they_are_inside():
    verdict = np.array([Verdict.CONFORMING, Verdict.SUSPECT, Verdict.NONCONFORMING], dtype=np.int8)
    found = metres_by_verdict(10, verdict, 10.25, 12.5)
    assert found[Verdict.CONFORMING.word] == pytest.approx(0.75)
    assert found[Verdict.SUSPECT.word] == pytest.approx(1.0)
    assert found[Verdict.NONCONFORMING.word] == pytest.approx(0.5)


@given(verdicts=VERDICTS, first=st.integers(0, 10), a=METRES, b=METRES)
def test_the_parts_are_what_is_known_of_the_interval(verdicts, first, a, b):
    start, end = min(a, b), max(a, b)
    found = metres_by_verdict(first, np.array(verdicts, dtype=np.int8), start, end)
    known = max(min(end, first + len(verdicts)) - max(start, first), 0.0)
    assert set(found) == {v.word for v in Verdict}
    assert min(found.values()) >= 0
    assert sum(found.values()) == pytest.approx(known, abs=1e-9)


@given(verdicts=VERDICTS, at=METRES, share=st.floats(0, 1))
def test_an_interval_is_the_sum_of_its_parts(verdicts, at, share):
    rows = np.array(verdicts, dtype=np.int8)
    middle = at * share
    whole, left, right = (metres_by_verdict(0, rows, a, b) for a, b in ((0.0, at), (0.0, middle), (middle, at)))
    for word, metres in whole.items():
        assert metres == pytest.approx(left[word] + right[word], abs=1e-9)
