"""What all figures share: colours that two people with different eyes tell apart, and numbers written one way."""

import re
from pathlib import Path

import pytest

from dashboard.figures.style import BLUE, COLOUR, GREY, LIMIT_LINE, ORANGE, VERMILLION, figure, hover_format
from monitor.contract.number_format import fixed
from monitor.contract.record import Verdict


def test_only_the_abnormal_has_a_colour_in_okabe_and_itos_palette():
    """Okabe and Ito (2008): vermillion D55E00, orange E69F00, blue 0072B2."""
    assert (VERMILLION, ORANGE, BLUE) == ("#D55E00", "#E69F00", "#0072B2")
    assert COLOUR == {
        Verdict.CONFORMING: GREY, Verdict.SUSPECT: ORANGE, Verdict.UNVERIFIED: GREY, Verdict.NONCONFORMING: VERMILLION,
    }  # fmt: skip


def test_inner_and_outer_limits_differ_in_dash_as_well_as_in_colour():
    assert LIMIT_LINE["HI"] == LIMIT_LINE["LO"]
    assert LIMIT_LINE["HIHI"] == LIMIT_LINE["LOLO"]
    assert ("dash" in LIMIT_LINE["HI"], "dash" in LIMIT_LINE["HIHI"]) == (True, False)
    assert LIMIT_LINE["HI"]["color"] != LIMIT_LINE["HIHI"]["color"]


def test_an_empty_figure_has_its_height_its_margins_and_no_ground_of_its_own():
    layout = figure(300, top=1, bottom=2, left=3, right=4).layout
    assert layout.height == 300
    assert (layout.margin.t, layout.margin.b, layout.margin.l, layout.margin.r) == (1, 2, 3, 4)
    assert layout.paper_bgcolor == layout.plot_bgcolor == "rgba(0,0,0,0)"


def test_a_figure_separates_decimals_and_thousands_as_the_text_beside_it_does():
    decimal, thousands = figure(100).layout.separators
    assert fixed(1234.5, 1) == f"1{thousands}234{decimal}5"


def test_numbers_under_the_pointer_are_written_as_those_on_the_page():
    """They come as texts, or by an axis' `hover_format`: a format in a template has no groups and writes 0.00."""
    formats = re.compile(r"%\{+\w+(\[\d\])?:[^}]*\}")
    files = list((Path(__file__).parents[3] / "dashboard").rglob("*.py"))
    assert len(files) > 50
    assert [(p.name, found[0]) for p in files if (found := formats.search(p.read_text(encoding="utf-8")))] == []


@pytest.mark.parametrize(
    ("unit", "decimals", "said"),
    [("mm", None, ",.2f"), ("m/min", None, ",.0f"), ("unknown", None, ",.2f"), ("s", 3, ",.3f")],
)
def test_an_axis_whose_points_the_browser_adds_to_has_the_decimals_of_its_unit(unit, decimals, said):
    assert hover_format(unit, decimals) == {"hoverformat": said}
