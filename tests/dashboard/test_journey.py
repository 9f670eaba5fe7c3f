"""The journey of a metre: cable at path position p passes there when the counter reads M - p_counter + p."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.journey import Passing, journey, passing
from monitor.contract.reading import Trend
from tests.dashboard.conftest import NOW_S
from tests.dashboard.fake_record import FIRST_L_M, START_S


def test_at_constant_speed_times_and_dwells_follow_from_the_layout(record, configuration):
    line = configuration.lines["core-1"]
    drum = record.drum("core-1", "1-1042")
    stops = {stop.place: stop for stop in journey(record, line, drum, drum.start_m + 700.0, round(NOW_S * 1e3))}
    pace = 230.0 / 60.0
    # By hand: metre 700 of the second drum, its middle at 700.5; the drum began at 24 000 on a line begun at 20 000.
    at_counter_s = START_S + (24_000.0 + 700.5 - FIRST_L_M["core-1"]) / pace
    for place, position in [("Extrusion head", 0.0), ("Metre counter", 114.0), ("Take-up", 122.0)]:
        assert stops[place].came_ms / 1e3 == pytest.approx(at_counter_s + (position - 114.0) / pace, abs=0.06)
    assert stops["Oven A, pass 1"].dwell_s == pytest.approx(14.0 / pace, abs=0.01)
    assert stops["Oven A, pass 2"].dwell_s == pytest.approx(14.0 / pace, abs=0.01)
    assert stops["Shock oven"].dwell_s == pytest.approx(6.0 / pace, abs=0.01)
    (heat,) = stops["Shock oven"].values
    assert heat.mean == pytest.approx(540.0, abs=4.0)
    assert heat.least <= heat.mean <= heat.most


def test_a_counter_that_wraps_is_read_through():
    t = np.arange(6, dtype=np.int64) * 1000
    reading = np.array([99_998.0, 99_999.0, 0.0, 1.0, 2.0, 3.0])
    way = passing(Trend(t, reading), 100_000.0, 0.0, 5_000.0)
    assert way.L_m.tolist() == [5000.0, 5001.0, 5002.0, 5003.0, 5004.0, 5005.0]


def test_a_stopped_cable_is_where_it_was():
    way = Passing(np.array([0, 1000, 2000, 3000]), np.array([0.0, 4.0, 4.0, 8.0]))
    assert way.when_ms(4.0) == 1000.0
    assert way.when_ms(6.0) == 2500.0
    assert way.when_ms(8.1) is None
    assert way.when_ms(-0.1) is None


@given(st.lists(st.floats(0.01, 5.0), min_size=2, max_size=60), st.data())
def test_when_undoes_where(steps, data):
    L = np.concatenate(([0.0], np.cumsum(steps)))
    way = Passing(np.arange(len(L), dtype=np.int64) * 100, L)
    t = data.draw(st.floats(0.0, float(way.t_ms[-1])))
    assert way.when_ms(float(np.interp(t, way.t_ms, L))) == pytest.approx(t, abs=0.01)


def test_without_counter_samples_places_stand_without_times(record, configuration, monkeypatch):
    line, drum = configuration.lines["core-1"], record.drum("core-1", "1-1042")
    empty = Trend(np.empty(0, np.int64), np.empty(0))
    monkeypatch.setattr(record, "samples", lambda *_: empty)
    stops = journey(record, line, drum, drum.start_m + 700.0, round(NOW_S * 1e3))
    assert len(stops) == 6 + 16 - 4
    assert all(stop.came_ms is None and stop.dwell_s is None for stop in stops)
