"""Headroom of a steady line: at its end the line is at its limit."""

import pytest
from scipy.optimize import brentq

from monitor.physics.cure import Speed, cure
from monitor.physics.kinetics import Rate
from monitor.physics.margins import STEP_S, CureLimits, Steady, margins
from monitor.physics.root import root
from tests.physics import reference as ref

NOMINAL = ref.CASES["steady_2.5_230"]
CABLE, WAY, RATES = ref.cable(NOMINAL), ref.way(NOMINAL), ref.rates(NOMINAL)


@pytest.mark.parametrize("name", ref.INVERSE)
def test_reference_speeds(name):
    case = ref.INVERSE[name]
    steady = Steady.of(ref.cable(case), ref.way(case), *ref.rates(case))
    limits = CureLimits(case["cure_index_limit"])
    speed = root(lambda v: limits.under(steady.at(v)), 0.4, 40.0, 1e-7)
    assert speed is not None
    assert speed * 60 == pytest.approx(case["max_speed_m_per_min"], rel=1e-4)


def test_at_the_end_of_its_room_the_line_is_at_its_limit():
    steady = Steady.of(CABLE, WAY, *RATES)
    limits = CureLimits(1.0, 280.0, 0.002)
    room = margins(steady, 230 / 60, limits, ["shock-oven", "oven-a", "oven-b"])
    assert room.faster.room is not None
    assert steady.at(230 / 60 + room.faster.room).index_inner == pytest.approx(1.0, rel=2e-3)
    for name, margin in room.colder.items():
        assert margin.room is not None
        assert steady.at(230 / 60, {name: -margin.room}).index_inner == pytest.approx(1.0, rel=5e-3)
    assert room.slower.room is not None
    at_the_end = steady.at(230 / 60 - room.slower.room)
    assert max(at_the_end.peak_C / 280, at_the_end.degradation / 0.002) == pytest.approx(1.0, rel=0.01)


def test_beyond_a_limit_the_room_is_negative():
    steady = Steady.of(CABLE, WAY, *RATES)
    room = margins(steady, 270 / 60, CureLimits(1.0), ["oven-b"])
    assert room.faster.room is not None
    assert room.faster.room * 60 == pytest.approx(250.55 - 270, abs=0.1)
    assert room.colder["oven-b"].room is not None
    assert room.colder["oven-b"].room < 0
    assert room.slower.room is None


def test_the_long_steps_of_margins_cost_nothing():
    """What the module says of STEP_S."""
    steady = Steady.of(CABLE, WAY, *RATES)
    exact = cure(CABLE, WAY, Speed((0.0,), (4.0,)), 0.0, *RATES)
    assert STEP_S == 2.0
    assert steady.at(4.0).index_inner == pytest.approx(exact.index_inner, rel=1e-3)


def test_speed_of_the_inverse_case_by_another_root_finder():
    case = ref.INVERSE["inverse_nominal"]
    rates = ref.rates(case)
    f = lambda v: cure(ref.cable(case), ref.way(case), Speed((0.0,), (v,)), 0.0, *rates).index_inner - 1.0  # noqa: E731
    assert brentq(f, 3.0, 6.0) * 60 == pytest.approx(case["max_speed_m_per_min"], rel=1e-4)
    assert isinstance(rates[0], Rate)
