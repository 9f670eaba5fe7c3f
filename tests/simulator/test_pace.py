"""Simulated time against the wall's: nothing is published before it happens, and the past ends at the present."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.pace import begin

NOW_S = 1_764_000_000.0
PACES = st.one_of(st.just(0.0), st.floats(1, 1000))


@given(pace=PACES, lasts=st.floats(1, 1e5), share=st.floats(0, 2))
def test_nothing_is_published_before_it_happens(pace, lasts, share):
    found = begin(pace, NOW_S, lasts)
    stamp = found.start_s + share * lasts
    assert found.due_s(stamp) >= stamp
    assert found.due_s(stamp) <= max(stamp, NOW_S + share * lasts + 1e-3)


@given(pace=st.floats(1, 1000), lasts=st.floats(1, 1e5))
def test_a_faster_run_has_caught_up_when_it_ends(pace, lasts):
    found = begin(pace, NOW_S, lasts)
    end = found.start_s + lasts
    assert found.due_s(end) == pytest.approx(end, abs=1e-3)
    assert found.due_s(found.start_s) == pytest.approx(NOW_S, abs=1e-3)


@pytest.mark.parametrize("pace", [-1.0, 0.5])
def test_a_pace_that_falls_behind_is_refused(pace):
    with pytest.raises(ValueError, match=r"expected 0 .* or at least 1"):
        begin(pace, NOW_S, 60.0)
