"""What a rehearsal counts on each of its sides."""

from monitor.analysis.rehearse import Side
from monitor.contract.record import Finding, Verdict


def found(start_m: float, end_m: float | None, line: str = "core-1") -> Finding:
    return Finding(
        line=line, key=f"{start_m}", kind="window", stream="a/b", check="HI", verdict=Verdict.SUSPECT, start_m=start_m,
        end_m=end_m, start_s=0.0, end_s=None, extreme=None, limit=None, unit="mm",
    )  # fmt: skip


def test_bad_metres_count_once_and_may_end_at_0():
    """A13. Cable inside the line when its counter begins has metres below 0; one may end at 0."""
    assert Side((), (found(-2.0, 0.0),)).bad_m() == 2.0
    assert Side((), (found(-2.0, 0.0), found(-1.0, 3.0))).bad_m() == 5.0
    assert Side((), (found(-2.0, 0.0), found(-1.0, 3.0, "core-2"))).bad_m() == 6.0
    assert Side((), (found(-2.0, None),)).bad_m() == 0.0
