"""From the wire to the named part: a simulated line's faults through the engine, the finder and the list of parts."""

import numpy as np
import pytest

from monitor.analysis import rotating_parts
from monitor.contract.config.line import Line
from monitor.contract.record import Finding
from monitor.statistics import recurrence as recur
from monitor.statistics.recurrence import Found, NoPeriod
from tests.scenarios.test_marked import recorded

RESOLUTION_M = 0.1


def faults(scenario: str) -> tuple[np.ndarray, np.ndarray, Line]:
    run, out = recorded(scenario, "core-1")
    found = sorted(
        {f.key: f for f in out if isinstance(f, Finding) and f.kind == "fault"}.values(), key=lambda f: f.start_m
    )
    return np.array([(f.start_m + f.end_m) / 2 for f in found]), np.array([f.start_s for f in found]), run.line


def test_a_burr_among_ten_times_as_many_faults_is_traced_to_its_sheave():
    x, t, line = faults("worn-sheave")
    assert 900 < len(x) < 1400
    found, _ = recur.find(x, 0.4, 20.0, RESOLUTION_M)
    assert isinstance(found, Found), found
    assert found.period == pytest.approx(3.77 * 0.998, rel=3e-4)
    assert found.false_alarm < 1e-3
    verdict = rotating_parts.rank(line.rotating_part, found.period, found.low, found.high)
    assert verdict.part.part.name == "far-sheave-wheel"
    seconds, _ = recur.find(t, 0.1, 5.0, RESOLUTION_M / 3.8)
    v = np.diff(x) / np.maximum(np.diff(t), 1e-6)
    assert recur.which_clock(found, seconds, x, t, float(v.std() / v.mean())).word == "metres"


def test_the_demo_s_capstan_is_named():
    x, _, line = faults("demo")
    found, _ = recur.find(x, 0.4, 20.0, RESOLUTION_M)
    assert isinstance(found, Found)
    verdict = rotating_parts.rank(line.rotating_part, found.period, found.low, found.high)
    assert verdict.part.part.name == "capstan-wheel"


def test_a_clean_run_names_no_part():
    x, _, _ = faults("clean")
    found, _ = recur.find(x, 0.4, 20.0, RESOLUTION_M)
    assert isinstance(found, NoPeriod)
