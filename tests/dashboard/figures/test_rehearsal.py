"""Figures of a rehearsal as data: both sets of limits, both rows of alarms, and what each suggestion would cost."""

from typing import Any

import pytest
from plotly.graph_objects import Figure

from dashboard.figures.rehearsal import rehearsal_figure, suggestion_figure
from dashboard.figures.style import BLUE, GREY, ORANGE, VERMILLION
from monitor.analysis.activations import Activation
from monitor.analysis.suggest import Candidate, Suggestion

SPAN = (1_764_000_000_000, 1_764_000_600_000)
HOUR_MS = 3_600_000  # of Stockholm in winter


def raised(t_s: float, end_s: float | None) -> Activation:
    return Activation(line="core-1", alarm="oven-b/temperature/HI", priority="low", t_s=t_s, end_s=end_s)


def drawn(before: Any, after: Any, activations: Any = ((), ())) -> Figure:
    points = ([SPAN[0], SPAN[1]], [300.0, 305.0])
    return rehearsal_figure("Oven B", "degC", points, SPAN, "Europe/Stockholm", before, after, activations)


def test_the_stream_is_drawn_in_local_time_over_its_span():
    figure = drawn({}, {})
    assert figure.data[0].x == (SPAN[0] + HOUR_MS, SPAN[1] + HOUR_MS)
    assert figure.layout.xaxis.range == (SPAN[0] + HOUR_MS, SPAN[1] + HOUR_MS)
    assert figure.layout.shapes == ()


def test_a_limit_that_stays_is_drawn_once_and_one_that_changes_twice():
    figure = drawn({"lo": 295.0, "hi": 315.0, "hihi": 325.0}, {"lo": 295.0, "hi": 318.0, "hihi": None})
    assert [(s.y0, s.line.color) for s in figure.layout.shapes] == [
        (295.0, ORANGE), (315.0, ORANGE), (318.0, BLUE), (325.0, ORANGE),
    ]  # fmt: skip
    texts = [a.text.strip() for a in figure.layout.annotations]
    assert texts[:4] == ["LO 295", "HI 315 as it was", "HI 318 rehearsed", "HIHI 325 as it was"]


def test_alarms_lie_in_a_row_for_each_set_of_limits_with_their_number():
    t = SPAN[0] / 1e3
    figure = drawn({}, {}, ([raised(t + 10, t + 30), raised(t + 100, None)], [raised(t + 20, t + 20)]))
    _, was, rehearsed = figure.data
    start = SPAN[0] + HOUR_MS
    assert was.x == (start + 10_000, start + 30_000, None, start + 100_000, SPAN[1] + HOUR_MS, None)
    assert rehearsed.x == (start + 20_000, start + 20_001, None)  # seen although it has no length
    assert {y for y in was.y if y is not None} == {1}
    assert {y for y in rehearsed.y if y is not None} == {0}
    assert [a.text.strip() for a in figure.layout.annotations] == ["as it was: 2", "rehearsed: 1"]


def candidate(deadband: float, delay: float, nuisance: int, missed: int = 0) -> Candidate:
    return Candidate(
        deadband=deadband, on_delay_s=delay, nuisance=nuisance, detected=1, missed=missed, delay_median_s=delay,
        delay_worst_s=delay + 1,
    )  # fmt: skip


@pytest.mark.parametrize("has_chosen", [True, False])
def test_each_deadband_is_a_line_and_what_misses_is_marked(has_chosen):
    tried = (candidate(0.0, 0.0, 40), candidate(0.0, 5.0, 8), candidate(2.0, 0.0, 6), candidate(2.0, 5.0, 1, missed=1))
    figure = suggestion_figure(Suggestion(tried[2] if has_chosen else None, tried, ""), 4.0)
    first, second = figure.data[:2]
    assert (first.name, first.x, first.y) == ("deadband 0", (1.0, 6.0), (10.0, 2.0))
    assert (second.name, second.x, second.y) == ("deadband 2", (1.0, 6.0), (1.5, 0.25))
    assert second.marker.color == (GREY, VERMILLION)
    assert first.line.dash != second.line.dash
    chosen = [(t.x, t.y) for t in figure.data if t.name == "suggested"]
    assert chosen == ([((1.0,), (1.5,))] if has_chosen else [])
