"""The record's types: which verdict is graver, and which filling is meant."""

from itertools import pairwise

import pytest

from monitor.contract.record import DrumSpan, FillingKey, MetreRows, Verdict, bought_in


def test_the_graver_verdict_is_the_larger():
    """A metre without evidence never counts as conforming, and evidence against it outweighs want of evidence."""
    order = [Verdict.CONFORMING, Verdict.SUSPECT, Verdict.UNVERIFIED, Verdict.NONCONFORMING]
    assert all(a < b for a, b in pairwise(order))
    assert sorted(Verdict) == order
    assert len({v.word for v in Verdict}) == len(Verdict)


def test_a_drum_bought_in_has_no_line():
    assert not bought_in("D-1").wound_here
    assert FillingKey("core-1", 3, "D-1").wound_here
    assert bought_in("D-1") != bought_in("D-2")


def test_a_span_s_key_is_its_line_number_and_name():
    span = DrumSpan(line="core-1", filling=4, drum="D-1", recipe="r", revision=1, start_m=0.0, end_m=None,
                    start_s=0.0, end_s=None)  # fmt: skip
    assert span.key == ("core-1", 4, "D-1")


@pytest.mark.parametrize("count", [0, 3])
def test_rows_are_as_many_as_their_verdicts(count):
    import numpy as np

    assert len(MetreRows("core-1", 10, np.zeros(count, dtype=np.int8), {})) == count
