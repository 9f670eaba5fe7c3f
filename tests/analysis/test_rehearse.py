"""What a rehearsal counts on each of its sides."""

from monitor.analysis.rehearse import Side
from tests.core.script import finding


def test_bad_metres_count_once_and_may_end_at_0():
    """A13. Cable inside the line when its counter begins has metres below 0; one may end at 0."""
    assert Side((), (finding(-2.0, 0.0),)).bad_m() == 2.0
    assert Side((), (finding(-2.0, 0.0), finding(-1.0, 3.0))).bad_m() == 5.0
    assert Side((), (finding(-2.0, 0.0), finding(-1.0, 3.0, line="core-2"))).bad_m() == 6.0
    assert Side((), (finding(-2.0, None),)).bad_m() == 0.0
