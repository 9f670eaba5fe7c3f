"""The cable path to scale: folded at its turns, so that both passes of an oven lie over each other."""

from dashboard.components.pathway import fold, pathway, turning_points
from monitor.contract.config.line import Station
from tests.dashboard.page_text import json_of


def test_the_path_folds_so_that_both_passes_of_an_oven_lie_over_each_other(configuration):
    line = configuration.lines["core-1"]
    assert turning_points(line) == [45.0, 88.0]
    out, back, last = fold(line)
    for name in ("oven-a", "oven-b"):
        first, second = (z for z in line.zone if z.name == name)
        assert out.x(first.start_m) == back.x(second.end_m)
        assert out.x(first.end_m) == back.x(second.start_m)
    assert (last.from_x, last.to_x) == (2.0, 36.0)
    assert json_of(pathway(line)).count("zone-pass") == 6


def test_a_path_may_end_at_0(configuration):
    """A13. A station from -0.5 m to 0 m ends at 0 m."""
    line = configuration.lines["core-1"]
    short = line.model_copy(
        update={
            "zone": [],
            "station": [Station(name="a", position_m=-4.0), Station(name="b", position_m=-0.5, end_m=0)],
        }
    )
    (piece,) = fold(short)
    assert (piece.start_m, piece.end_m) == (-4.0, 0.0)


def test_a_line_without_turns_is_one_straight_piece(configuration):
    line = configuration.lines["core-1"]
    straight = line.model_copy(update={"zone": [z for z in line.zone if z.pass_number == 1]})
    (piece,) = fold(straight)
    assert (piece.start_m, piece.end_m) == (-6.0, 122.0)
