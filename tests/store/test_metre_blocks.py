"""Blocks of metres put together: each metre has its place, a hole is unverified, and the graver verdict wins."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.record import Verdict
from monitor.store.metre_blocks import cut_to, join_in_place, lay_over
from tests.core.script import finding

ROWS = st.lists(st.sampled_from(list(Verdict)), min_size=1, max_size=12)
BLOCKS = st.lists(st.tuples(st.integers(0, 40), ROWS), min_size=1, max_size=5)
FINDINGS = st.lists(
    st.tuples(st.floats(-5, 40), st.one_of(st.none(), st.floats(0, 20)), st.sampled_from(list(Verdict))), max_size=5
)


@given(blocks=BLOCKS)
def test_each_metre_is_where_it_was_and_what_no_block_holds_is_unverified(blocks):
    first = min(at for at, _ in blocks)
    joined = join_in_place([(at, np.array(rows, dtype=np.int8)) for at, rows in blocks])
    expected = {at + i: v for at, rows in blocks for i, v in enumerate(rows)}
    assert len(joined) == max(expected) - first + 1
    assert [Verdict(v) for v in joined] == [expected.get(first + i, Verdict.UNVERIFIED) for i in range(len(joined))]


@given(blocks=BLOCKS)
def test_a_hole_in_a_column_is_nan(blocks):
    parts = [(at, np.arange(len(rows), dtype=np.float64)) for at, rows in blocks]
    first = min(at for at, _ in blocks)
    held = {at + i for at, rows in blocks for i in range(len(rows))}
    joined = join_in_place(parts)
    assert [not np.isnan(v) for v in joined] == [first + i in held for i in range(len(joined))]


@given(first=st.integers(0, 20), rows=ROWS, a=st.floats(0, 40), b=st.floats(0, 40))
def test_a_cut_keeps_the_metres_that_touch_the_interval(first, rows, a, b):
    start, end = min(a, b), max(a, b)
    at, left = cut_to(first, np.array(rows), start, end)
    touching = [i for i in range(len(rows)) if first + i + 1 > start and first + i < end]
    assert list(left) == [rows[i] for i in touching]
    assert not touching or at == first + touching[0]


@given(first=st.integers(0, 20), rows=ROWS, laid=FINDINGS)
def test_the_graver_verdict_wins_on_each_metre_that_is_touched(first, rows, laid):
    findings = [finding(a, None if length is None else a + length, verdict=v) for a, length, v in laid]
    before = np.array(rows, dtype=np.int8)
    after = lay_over(first, before, findings)
    for i, verdict in enumerate(after):
        touching = [
            f.verdict for f in findings if f.start_m < first + i + 1 and (f.end_m is None or f.end_m >= first + i)
        ]
        assert verdict == max([Verdict(rows[i]), *touching])
    assert list(before) == rows  # what was read is not written over
