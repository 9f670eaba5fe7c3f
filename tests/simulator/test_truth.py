"""The truth of scripts made by hand equals what a pencil gives."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.statistics.counts import poisson_interval
from simulator.truth import Spells, Truth, dwell_s
from tests.simulator.made import EVERYTHING, made, run_of

QUIET = """
[line.screw]
pulsation_mm = 0.0
wander_mm = 0.0
ovality_mm = 0.0
lag_s = 0.0
"""
# core-2g5: diameter 3.58 mm, LO 3.50 HI 3.66 LOLO 3.44 HIHI 3.74; line at 240 m/min = 4 m/s; first cut at 992 m.


def test_where_a_lump_is_out_of_its_window() -> None:
    """Height h, length l: beyond x where h/2 (1 + cos(2 pi d/l)) > x, so |d| < l/2pi acos(2x/h - 1)."""
    script = QUIET + "[[line.lump]]\nheight_mm = 0.2\nlength_m = 4.0\nat_m = [300.0]\n"
    run, _ = run_of(made(script), 150.0)
    half = 4.0 / (2 * math.pi)
    hi, hihi = half * math.acos(2 * 0.08 / 0.2 - 1), half * math.acos(2 * 0.16 / 0.2 - 1)
    found = {(s.stream, s.check): s for s in run.truth.beyond}
    for axis in ("diameter-x", "diameter-y"):
        for check, reach in (("HI", hi), ("HIHI", hihi)):
            s = found.pop((f"cold-gauge/{axis}", check))
            assert (s.start_m, s.end_m) == pytest.approx((1292 - reach, 1292 + reach), abs=0.041)
            assert s.extreme == pytest.approx(3.78, abs=1e-3)
    assert set(found) == {("hot-gauge/diameter", "HI")}


def test_a_neck_is_a_lump_upside_down() -> None:
    script = QUIET + "[[line.lump]]\nheight_mm = -0.1\nlength_m = 4.0\nat_m = [300.0]\n"
    run, _ = run_of(made(script), 150.0)
    reach = 4.0 / (2 * math.pi) * math.acos(2 * 0.08 / 0.1 - 1)
    s = next(s for s in run.truth.beyond if s.stream == "cold-gauge/diameter-x")
    assert (s.check, s.extreme) == ("LO", pytest.approx(3.48, abs=1e-3))
    assert (s.start_m, s.end_m) == pytest.approx((1292 - reach, 1292 + reach), abs=0.041)


def test_a_low_test_voltage_is_known_by_time_and_metre() -> None:
    """6.15 kV less 2 for 5 s from 30 s on: counter at 1120 to 1140 m, electrode 1 to 1.5 m after it."""
    run, _ = run_of(made(EVERYTHING), 39.0)
    s = next(s for s in run.truth.beyond if s.stream == "spark-electrode/voltage")
    assert (s.check, s.start_s, s.end_s) == ("LO", 30.0, 35.0)
    assert (s.start_m, s.end_m) == pytest.approx((1120 - 1.5, 1140 - 1.0))


def test_a_window_does_not_count_while_it_does_not_apply() -> None:
    """Speed has its window only while running: a ramp through it and a stop are not beyond it."""
    run, _ = run_of(made(EVERYTHING), 130.0)
    assert not [s for s in run.truth.beyond if s.stream == "metre-counter/speed"]


def test_an_oven_that_sags_touches_the_metres_of_both_passes() -> None:
    script = '[[line.oven]]\nzone = "oven-b"\nkind = "sag"\nat_s = 10.0\nfor_s = 200.0\nto_C = 265.0\n'
    run, _ = run_of(made(script), 240.0)
    low = {s.place: s for s in run.truth.beyond if (s.stream, s.check) == ("oven-b/temperature", "LO")}
    assert set(low) == {"pass 1", "pass 2"}
    one, two = low["pass 1"], low["pass 2"]
    # First order with 90 s from 305 to 295: towards 217 while control still asks for 80 %, towards 265 with all it has.
    assert 10 + 90 * math.log(88 / 78) < one.start_s < 10 + 90 * math.log(40 / 30)
    assert 264.0 < one.extreme < 270.0
    assert one.start_m == pytest.approx(1000 + 4 * one.start_s + 114 - 40)  # cable at the end of oven B, pass 1
    assert (one.start_m - two.start_m, one.end_m - two.end_m) == pytest.approx((24.0, 24.0))  # 50-64 after 26-40


def test_dwell_over_both_passes_is_length_by_speed_and_a_stop_adds_its_time() -> None:
    run, _ = run_of(made(EVERYTHING), 200.0)
    metres = np.array([1020.0, 1165.0])
    assert dwell_s(run.line, run.travel, "oven-a", metres[:1]) == pytest.approx(28.0 / 4.0)
    stopped_L = float(run.travel.metres(np.array(60.0)))
    inside = np.array([stopped_L + 114 - 5.0])  # at 5 m, in the shock oven
    by_hand = float(run.travel.when(inside - 114 + 8.0)[0] - run.travel.when(inside - 114 + 2.0)[0])
    assert dwell_s(run.line, run.travel, "shock-oven", inside)[0] == pytest.approx(by_hand)
    assert by_hand > 25.0


def test_recurring_faults_stand_a_circumference_apart_at_their_phase() -> None:
    """capstan-wheel: 2.513 m, at 111.5 m; it marks the cable there, and the counter at 114 m is 2.5 m on."""
    script = '[[line.spark]]\nkind = "recurring"\npart = "capstan-wheel"\nphase_deg = 90.0\nto_m = 400.0\n'
    run, sent = run_of(made(script), 150.0)
    M = np.array([s.metre for s in run.truth.sparks])
    assert len(M) > 100
    assert np.diff(M) == pytest.approx(2.513)
    turned = (M - 2.5) / 2.513  # line metre at the counter when the mark was made, in turns
    assert turned % 1.0 == pytest.approx(0.25)
    assert sum(s.topic.endswith("spark-fault") for s in sent) == len(M)
    assert {s.cause for s in run.truth.sparks} == {"capstan-wheel"}


def test_a_fault_is_reported_when_it_enters_the_electrode() -> None:
    script = '[[line.spark]]\nkind = "cluster"\nat_m = [200.0]\ncount = 1\nspread_m = 0.001\n'
    run, _ = run_of(made(script), 100.0)
    (spark,) = run.truth.sparks
    assert spark.metre == pytest.approx(1192.0, abs=0.002)
    assert spark.t_s == pytest.approx((1192.0 + 1.0 - 1000.0) / 4.0, abs=0.001)  # electrode 1 m after the counter


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10_000))
def test_random_faults_come_at_their_rate(seed: int) -> None:
    """The exact (Garwood) interval at 1 - 1e-6 around the count must hold the expectation: 20 per km over 4.8 km."""
    run, _ = run_of(made('[[line.spark]]\nkind = "random"\nper_km = 20.0\n', seed=seed), 1200.0, 600.0)
    between = poisson_interval(len(run.truth.sparks), 1 - 1e-6)
    assert between.low < 20.0 * 4.8 < between.high


def test_truth_is_read_as_it_was_written(tmp_path):
    run, _ = run_of(made(EVERYTHING), 130.0)
    assert Truth.read(run.truth.write(tmp_path)) == run.truth


@given(st.lists(st.integers(-4, 4), min_size=1, max_size=60), st.data())
def test_spells_do_not_depend_on_cuts(values: list[int], data: st.DataObject) -> None:
    v = np.array(values, dtype=float)
    t = np.arange(len(v), dtype=float)
    cut = data.draw(st.integers(0, len(v)))

    def feed(spells: Spells, part: slice) -> list[object]:
        x = v[part]
        return list(spells.feed(t[part], x > 1, x > 0, x > 2, x))

    whole, parts = Spells(sign=1), Spells(sign=1)
    assert feed(whole, slice(None)) + whole.end() == [
        *feed(parts, slice(0, cut)),
        *feed(parts, slice(cut, None)),
        *parts.end(),
    ]
