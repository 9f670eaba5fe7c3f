"""A figure on a page keeps the height that it was drawn with."""

from typing import Any

from dashboard.components.chart import chart, tall
from dashboard.figures.style import figure


def test_the_box_is_as_high_as_the_figure_unless_another_height_is_given():
    drawn = figure(290)
    assert tall(drawn) == {"display": "block", "height": "290px"}
    assert tall(drawn, "50vh")["height"] == "50vh"
    plain: Any = chart("name", drawn)
    assert plain.style == tall(drawn)
    higher: Any = chart("name", drawn, height="50vh")
    assert higher.style["height"] == "50vh"


def test_lines_keep_their_colour_only_where_that_is_wanted():
    drawn = figure(100)
    coloured: Any = chart("name", drawn)
    assert coloured.className == "coloured"
    assert getattr(chart("name", drawn, coloured=False), "className", None) is None
    assert (coloured.id, coloured.figure) == ("name", drawn)
