"""A circuit integrity test as data: minutes from ignition, limits of its recipe, shocks, water and the failure."""

import numpy as np
import pytest

from dashboard.figures.flame import flame_figure
from dashboard.figures.style import VERMILLION
from monitor.evidence import specimens
from monitor.evidence.integrity_tests import Outcome
from tests.core.script import configuration
from tests.evidence.made import SPECIMEN

TEST = configuration().recipes["fire-2x2g5"].integrity


def made(**more: object) -> specimens.Tested:
    assert TEST is not None
    usual: dict[str, object] = {
        "drum": SPECIMEN, "test": TEST, "ignition_ms": 0, "ended_ms": 600_000, "outcome": Outcome(600.0, None, ()),
        "failed": False, "t_s": np.array([0.0, 90.0, 600.0]), "flame_C": np.array([20.04, 845.0, 850.0]),
        "shocks_s": (300.0, 600.0), "water_s": None,
    }  # fmt: skip
    return specimens.Tested(**(usual | more))  # type: ignore[arg-type]


def test_the_flame_runs_over_minutes_between_the_limits_of_the_recipe():
    figure = flame_figure(made())
    flame, shocks = figure.data
    assert (flame.x, flame.y) == ((0.0, 1.5, 10.0), (20.0, 845.0, 850.0))
    assert sorted(s.y0 for s in figure.layout.shapes) == [830.0, 870.0]
    assert {a.text for a in figure.layout.annotations} == {" LO 830", " HI 870"}
    assert (shocks.name, shocks.x) == ("shock", (5.0, 10.0))


def test_marks_stand_above_the_limits_and_inside_the_axis():
    figure = flame_figure(made(water_s=120.0))
    low, high = figure.layout.yaxis.range
    for trace in figure.data[1:]:
        assert all(870.0 < y < high for y in trace.y)
    assert low == 0


@pytest.mark.parametrize(
    ("failed", "names"), [(False, ["flame", "shock"]), (True, ["flame", "shock", "circuit failed"])]
)
def test_a_failure_is_marked_when_the_circuit_failed_and_only_then(failed, names):
    figure = flame_figure(made(failed=failed, outcome=Outcome(450.0, None, ())))
    assert [t.name for t in figure.data] == names
    if failed:
        assert (figure.data[-1].x, figure.data[-1].marker.color) == ((7.5,), VERMILLION)


def test_water_is_marked_where_there_was_any_at_ignition_too():
    assert [t.x for t in flame_figure(made(water_s=0.0, shocks_s=())).data if t.name == "water on"] == [(0.0,)]
