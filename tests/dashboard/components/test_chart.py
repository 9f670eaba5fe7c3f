"""A figure on a page keeps the height that it was drawn with."""

from dashboard.components.chart import chart, tall
from dashboard.figures.style import figure


def test_the_box_is_as_high_as_the_figure_unless_another_height_is_given():
    drawn = figure(290)
    assert tall(drawn) == {"display": "block", "height": "290px"}
    assert tall(drawn, "50vh")["height"] == "50vh"
    assert chart("name", drawn).style == tall(drawn)
    assert chart("name", drawn, height="50vh").style["height"] == "50vh"


def test_lines_keep_their_colour_only_where_that_is_wanted():
    drawn = figure(100)
    assert chart("name", drawn).className == "coloured"
    assert getattr(chart("name", drawn, coloured=False), "className", None) is None
    assert (chart("name", drawn).id, chart("name", drawn).figure) == ("name", drawn)
