"""Temperature and cure along the path as data: zones where they are, curves as given, limits of the recipe."""

from typing import Any

import numpy as np
import pytest

from dashboard.figures.along import INDEX_MOST, POINTS, Along, along_figure, from_status, history_figure
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Cure
from monitor.evidence.metre_history import Heat
from monitor.physics.heat_march import Trace


def curve(size: int = 50, **more: Any) -> Along:
    x = np.linspace(0.0, 122.0, size)
    usual: dict[str, Any] = {"name": "now", "position_m": x, "inner_C": 20 + x, "surface_C": 25 + x, "index": x / 20}
    return Along(**(usual | more))


@pytest.fixture
def line(configuration: Configuration) -> Line:
    return configuration.lines["core-1"]


@pytest.fixture
def cure(configuration: Configuration) -> Cure | None:
    return configuration.recipes["core-2g5"].cure


def test_zones_lie_where_the_line_has_them_and_end_at_the_take_up(line, cure):
    figure = along_figure(line, cure, [curve()])
    drawn = [(s.x0, s.x1) for s in figure.layout.shapes if s.type == "rect"]
    assert drawn == [(z.start_m, min(z.end_m, line.take_up_m)) for z in line.zone if 0 <= z.start_m < line.take_up_m]
    assert figure.layout.xaxis.range == (0, line.take_up_m)


def test_a_curve_is_drawn_as_it_is_and_an_index_beyond_the_axis_goes_out_of_sight(line, cure):
    given = curve(index=np.full(50, 99.0))
    surface, inner, index = along_figure(line, cure, [given]).data
    assert surface.y == pytest.approx(given.surface_C, abs=1e-3)
    assert inner.y == pytest.approx(given.inner_C, abs=1e-3)
    assert set(index.y) == {INDEX_MOST * 1.5}
    assert (surface.yaxis, inner.yaxis, index.yaxis) == ("y", "y", "y2")


def test_the_cable_now_is_strong_and_another_grey(line, cure):
    figure = along_figure(line, cure, [curve(), curve(name="recipe", now=False)])
    now, other = figure.data[0], figure.data[3]
    assert (now.name, other.name) == ("now, surface", "recipe, surface")
    assert now.line.width > other.line.width
    assert now.line.color != other.line.color


def test_long_curves_are_thinned_and_short_ones_are_whole(line, cure):
    assert len(along_figure(line, cure, [curve(POINTS)]).data[0].x) == POINTS
    assert POINTS <= len(along_figure(line, cure, [curve(10 * POINTS + 7)]).data[0].x) < 1.1 * POINTS


def test_both_limits_of_the_index_are_drawn_and_named(line, cure):
    figure = along_figure(line, cure, [curve()])
    assert {s.y0 for s in figure.layout.shapes if s.yref == "y2"} == {cure.index_min, cure.index_warn}
    texts = {a.text.strip() for a in figure.layout.annotations if a.yref == "y2"}
    assert texts == {f"min {cure.index_min:g}", f"marginal {cure.index_warn:g}"}


def test_over_time_a_zone_is_as_wide_as_the_metre_was_in_it(line, cure):
    """One metre at 2 m/s that stands for 60 s at 60 m: the zone there is 60 s wider."""
    position = np.array([0.0, 60.0, 60.0, 122.0])
    t = 500.0 + np.array([0.0, 30.0, 90.0, 121.0])
    values = np.zeros(4)
    trace = Trace(t_s=t, inner_C=values, surface_C=values, index_inner=values, index_outer=values, degradation=values)
    figure = history_figure(line, cure, Heat(position_m=position, trace=trace))
    zones = [z for z in line.zone if 0 <= z.start_m < line.take_up_m]
    drawn = [s for s in figure.layout.shapes if s.type == "rect"]
    for zone, shape in zip(zones, drawn, strict=True):
        stood = 60.0 if zone.start_m < 60.0 < zone.end_m else 0.0
        assert shape.x1 - shape.x0 == pytest.approx((min(zone.end_m, 122.0) - zone.start_m) / 2 + stood, abs=0.1)
    assert any(zone.start_m < 60.0 < zone.end_m for zone in zones)
    assert figure.layout.xaxis.range == (0, 121.0)
    assert figure.data[0].x == (0.0, 30.0, 90.0, 121.0)


def test_what_the_monitor_reports_is_turned_so_that_it_runs_from_the_head_on():
    names = ("position_m", "inner_C", "surface_C", "index", "expected")
    found = from_status({name: [3.0 + i, 2.0 + i, 1.0 + i] for i, name in enumerate(names)})
    assert found.position_m.tolist() == [1.0, 2.0, 3.0]
    assert found.inner_C.tolist() == [2.0, 3.0, 4.0]
    assert found.expected is not None
    assert found.expected.tolist() == [5.0, 6.0, 7.0]
