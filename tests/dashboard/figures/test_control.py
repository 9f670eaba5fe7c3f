"""Control charts as data: what is out is marked by shape and colour, and limits are where the chart has them."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from dashboard.figures.control import chart_figure, cusum_figure, u_figure
from dashboard.figures.style import BLUE, GREY, VERMILLION
from monitor.statistics.charts import Chart, cusum
from monitor.statistics.counts import u_chart

X = [10.0, 20.0, 30.0, 40.0]


def chart(points: list[float]) -> Chart:
    size = len(points)
    return Chart(np.array(points), 5.0, np.full(size, 2.0), np.full(size, 8.0))


def test_points_limits_and_centre_are_those_of_the_chart():
    figure = chart_figure(X, chart([3.0, 5.0, 9.0, 1.0]), "metre (m)", "diameter (mm)")
    lines = {t.name: (t.x, t.y) for t in figure.data if t.name}
    assert lines == {"upper limit": (tuple(X), (8.0,) * 4), "lower limit": (tuple(X), (2.0,) * 4)}
    (centre,) = figure.layout.shapes
    assert (centre.y0, centre.y1) == (5.0, 5.0)
    assert (figure.layout.xaxis.title.text, figure.layout.yaxis.title.text) == ("metre (m)", "diameter (mm)")


@given(st.lists(st.sampled_from([1.0, 2.0, 5.0, 8.0, 9.0]), min_size=1, max_size=30), st.sets(st.integers(0, 29)))
def test_what_is_out_is_a_diamond_what_a_rule_flags_a_square_and_the_rest_a_grey_circle(points, flagged):
    figure = chart_figure(list(range(len(points))), chart(points), "x", "y", sorted(flagged))
    drawn = figure.data[-1]
    assert list(drawn.y) == points
    for i, v in enumerate(points):
        look = (drawn.marker.symbol[i], drawn.marker.color[i])
        if v < 2.0 or v > 8.0:
            assert look == ("diamond", VERMILLION)
        else:
            assert look == (("square", BLUE) if i in flagged else ("circle", GREY))
        assert (drawn.marker.size[i] > 4) == (look[1] != GREY)


def test_the_lower_sum_of_a_cusum_is_drawn_downwards_with_its_own_signals():
    sums = cusum([0.0, 4.0, 4.0, -9.0, -9.0], 0.0, 0.5, 5.0)
    figure = cusum_figure(range(5), sums, "x", "y")
    assert sorted(s.y0 for s in figure.layout.shapes) == [-5.0, 5.0]
    high, low = figure.data
    assert list(high.y) == sums.high.tolist()
    assert list(low.y) == (-sums.low).tolist()
    assert [s == "diamond" for s in high.marker.symbol] == [h > 5.0 for h in sums.high]
    assert [s == "diamond" for s in low.marker.symbol] == [x > 5.0 for x in sums.low]
    assert "diamond" in high.marker.symbol
    assert "diamond" in low.marker.symbol


def test_faults_of_drums_stand_under_their_names_with_limits_that_follow_their_lengths():
    found = u_chart([1, 0, 30], [1.0, 4.0, 1.0])
    figure = u_figure(["A", "B", "C"], found, "per km")
    upper, lower, points = figure.data
    assert (list(upper.y), list(lower.y)) == (found.upper.tolist(), found.lower.tolist())
    assert upper.line.shape == "hvh"  # each drum has a limit of its own
    assert figure.layout.xaxis.ticktext == ("A", "B", "C")
    assert list(points.y) == [1.0, 0.0, 30.0]
    assert points.marker.symbol[2] == "diamond"


def test_a_point_of_a_drum_is_named_with_its_value_under_the_pointer():
    points = u_figure(["C1-0001"], u_chart([1234], [1.0]), "per km").data[-1]
    assert list(points.customdata) == ["C1-0001: 1\u202f234"]
