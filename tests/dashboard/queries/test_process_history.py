"""Process history of a metre: cable at path position p passes there when the counter reads M - p_counter + p."""

import numpy as np
import pytest

from dashboard.queries.process_history import process_history
from monitor.contract.reading import Trend
from tests.dashboard.conftest import NOW_S
from tests.dashboard.fake_record import FIRST_L_M, START_S


def test_at_constant_speed_times_and_dwells_follow_from_the_layout(record, configuration):
    line = configuration.lines["core-1"]
    drum = record.drum_named("core-1", "1-1042")
    stops = {stop.place: stop for stop in process_history(record, line, drum, drum.start_m + 700.0, round(NOW_S * 1e3))}
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


def test_without_counter_samples_places_stand_without_times(record, configuration, monkeypatch):
    line, drum = configuration.lines["core-1"], record.drum_named("core-1", "1-1042")
    empty = Trend(np.empty(0, np.int64), np.empty(0))
    monkeypatch.setattr(record, "samples", lambda *_: empty)
    stops = process_history(record, line, drum, drum.start_m + 700.0, round(NOW_S * 1e3))
    assert len(stops) == 6 + 16 - 4
    assert all(stop.came_ms is None and stop.dwell_s is None for stop in stops)
