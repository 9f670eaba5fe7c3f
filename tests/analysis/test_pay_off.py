"""Which filling a drum put on is, by its name and the time; none where that cannot be told."""

import pytest

from monitor.analysis.pay_off import put_on_at
from monitor.contract.reading import DrumRow


def filling(line: str, number: int, start_ms: int, end_ms: int | None) -> DrumRow:
    return DrumRow(
        line=line,
        filling=number,
        drum="7",
        recipe="r",
        revision=1,
        start_m=0.0,
        end_m=None if end_ms is None else 1.0,
        start_ms=start_ms,
        end_ms=end_ms,
        planned_length_m=None,
        metres={},
    )


ON_CORE_1 = [filling("core-1", 1, 0, 100), filling("core-1", 4, 200, 300), filling("core-1", 6, 400, None)]


@pytest.mark.parametrize(
    ("t_ms", "number"), [(50, None), (100, 1), (150, 1), (250, 1), (299, 1), (300, 4), (450, 4), (10**9, 4)]
)
def test_a_drum_put_on_is_the_newest_filling_of_its_name_that_had_ended_by_then(t_ms, number):
    """A2: before, a name meant its newest filling, also one that was wound later."""
    found = put_on_at(ON_CORE_1, t_ms)
    assert (found.filling if found else None) == number


def test_a_drum_that_went_from_line_to_line_is_followed():
    both = [*ON_CORE_1[:1], filling("lay-1", 1, 120, 180), filling("core-1", 4, 200, 300)]
    assert [put_on_at(both, t).line for t in (110, 190, 310)] == ["core-1", "lay-1", "core-1"]


@pytest.mark.parametrize("other", [(50, 150), (50, 90), (0, 100), (50, None)])
def test_of_two_drums_of_one_name_wound_at_the_same_time_it_cannot_be_told_which_it_is(other):
    assert put_on_at([filling("core-1", 1, 0, 100), filling("core-2", 1, *other)], 160) is None
