"""The fault map as data: traces, bases, axes, limits. No picture is compared."""

from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plotly.graph_objects import Figure

from dashboard.figures.faultmap import envelope, fault_map, hover, lane_of, lanes
from dashboard.figures.style import ORANGE, VERMILLION
from monitor.contract.config.configuration import Configuration
from monitor.contract.record import Finding, FindingKind, Floats, Verdict
from monitor.evidence.whole_drum import on_drum
from tests.core import script
from tests.dashboard.fake_record import drum_with


def finding(
    start: float,
    end: float | None,
    kind: str = "window",
    stream: str = "cold-gauge/diameter-x",
    check: str = "HI",
    verdict: Verdict = Verdict.SUSPECT,
) -> Finding:
    more: dict[str, Any] = {
        "stream": stream, "check": check, "verdict": verdict, "extreme": 3.7, "limit": 3.66, "unit": "mm",
    }  # fmt: skip
    return script.finding(start, end, FindingKind(kind), **more)


@pytest.fixture
def map_of(configuration: Configuration) -> Callable[..., Figure]:
    line, recipe = configuration.lines["core-1"], configuration.recipes["core-2g5"]

    def make(findings: Sequence[Finding], length: float = 4000.0, rows: Mapping[str, Floats] | None = None) -> Figure:
        return fault_map(drum_with(line, recipe, findings, 1000.0, length, rows))

    return make


def bars(figure: Figure, name: str) -> Any:
    return next(trace for trace in figure.data if trace.type == "bar" and trace.name == name)


def test_a_finding_is_a_bar_that_begins_at_its_drum_metre(map_of):
    spark = finding(1312.0, 1313.0, "fault", "spark-electrode/spark-fault", "spark-fault", Verdict.NONCONFORMING)
    figure = map_of([finding(1655.0, 1693.0), spark])
    suspect, bad = bars(figure, "suspect"), bars(figure, "nonconforming")
    assert (suspect.base, suspect.x, suspect.y) == ((655.0,), (38.0,), ("Cold diameter gauge",))
    assert (bad.base, bad.x, bad.y) == ((312.0,), (1.0,), ("Spark faults",))
    assert suspect.marker.color == ORANGE
    assert bad.marker.color == VERMILLION


def test_unverified_is_hatched_so_that_colour_does_not_stand_alone(map_of):
    unverified = bars(
        map_of([finding(1100.0, 1200.0, "missing", check="missing", verdict=Verdict.UNVERIFIED)]), "unverified"
    )
    assert unverified.marker.pattern.shape == "/"
    assert unverified.y == ("No data",)


def test_short_findings_get_a_shape_that_can_be_seen_and_tells_their_verdict(map_of):
    figure = map_of([finding(1100.0, 1100.5, verdict=Verdict.NONCONFORMING), finding(1200.0, 1900.0)])
    marks = {t.name: t for t in figure.data if t.type == "scatter"}
    assert marks["nonconforming, short"].x == (100.25,)
    assert marks["nonconforming, short"].marker.symbol == "diamond"
    assert marks["suspect, short"].x == ()


def test_every_lane_is_shown_even_where_nothing_was_found(map_of):
    assert list(map_of([]).layout.yaxis.categoryarray) == [
        "Spark faults", "Shock oven", "Oven A", "Oven B", "Cooling trough", "Cold diameter gauge", "Spark electrode",
        "Dwell", "Cure", "No data", "Manual marks",
    ]  # fmt: skip


def test_a_kind_of_finding_nobody_foresaw_gets_its_own_lane(configuration):
    line = configuration.lines["core-1"]
    odd = finding(0.0, 1.0, "cure", "oven-a/temperature", "undercured")
    assert lane_of(odd, line) in lanes(line, None, [odd])


def test_the_upper_axis_runs_the_other_way(map_of):
    layout = map_of([], 3600.0).layout
    assert layout.xaxis.range == (0.0, 3600.0)
    assert layout.xaxis2.range == (3600.0, 0.0)
    assert layout.xaxis2.overlaying == "x"
    assert (layout.xaxis.side, layout.xaxis2.side) == ("bottom", "top")


def test_hover_tells_both_coordinates(configuration):
    (found,) = on_drum([finding(1655.0, 1693.0)], 1000.0, 4000.0)
    text = hover(found, configuration.lines["core-1"]).replace("\u202f", "")
    assert "drum metre 655.0 to 693.0 m" in text
    assert "3307.0 to 3345.0 m from the outer end" in text
    assert "suspect" in text


@given(st.lists(st.one_of(st.just(np.nan), st.floats(-50, 50)), min_size=1, max_size=400), st.integers(1, 100))
def test_an_envelope_holds_every_seen_metre_and_leaves_unverified_ones_blank(v, points):
    values = np.array(v)
    place, low, high = envelope(np.arange(len(v), dtype=float), values, None, None, points)
    assert len(place) <= points
    edges = [*(int(p) for p in place), len(v)]
    for (a, b), least, most in zip(pairwise(edges), low, high, strict=True):
        seen = values[a:b][~np.isnan(values[a:b])]
        if len(seen):
            assert (least, most) == pytest.approx((seen.min(), seen.max()), abs=1e-4)
        else:
            assert least is None
            assert most is None


def test_strips_of_the_drum_carry_their_limits(map_of, record):
    rows = record.rows("core-1", 24_000.0, 25_000.0)
    figure = map_of([], 1000.0, rows)
    labels = {a.text.strip() for a in figure.layout.annotations}
    assert {"HIHI 3.74", "LO 525", "HI 2.6"} <= labels
    assert sum(shape.type == "line" for shape in figure.layout.shapes) >= 20
