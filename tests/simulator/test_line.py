"""A run repeats to the bit, whatever the cut into pages; what its gauges say is what the line did."""

import json

import numpy as np
import pytest

from simulator.line import simulate
from tests.simulator.made import EVERYTHING, START_S, UNKIND, configuration, made, run_of, samples_of


def test_the_same_seed_gives_the_same_bytes() -> None:
    assert run_of(made(EVERYTHING, top=UNKIND), 300.0)[1] == run_of(made(EVERYTHING, top=UNKIND), 300.0)[1]
    assert run_of(made(EVERYTHING, top=UNKIND), 60.0)[1] != run_of(made(EVERYTHING, seed=6, top=UNKIND), 60.0)[1]


@pytest.mark.parametrize("page_s", [0.1, 2.0, 7.3, 400.0])
def test_the_cut_into_pages_shows_in_no_byte_and_in_no_truth(page_s: float) -> None:
    whole, sent = run_of(made(EVERYTHING, top=UNKIND), 300.0)
    cut, cut_sent = run_of(made(EVERYTHING, top=UNKIND), 300.0, page_s)
    assert cut_sent == sent
    assert cut.truth.sparks == whole.truth.sparks
    assert sorted(cut.truth.beyond, key=str) == sorted(whole.truth.beyond, key=str)
    assert cut.truth.states == whole.truth.states
    assert sorted(cut.truth.troubles, key=str) == sorted(whole.truth.troubles, key=str)


def test_wire_order_and_numbers_without_holes() -> None:
    _, sent = run_of(made(EVERYTHING, top=UNKIND), 300.0)
    assert [s.send_s for s in sent] == sorted(s.send_s for s in sent)
    numbers: dict[str, list[int]] = {}
    for s in sent:
        numbers.setdefault(s.topic, []).append(json.loads(s.payload)["n"])
    for topic, ns in numbers.items():
        assert sorted(set(ns)) == list(range(max(ns) + 1)), topic
    assert any(ns != sorted(ns) for ns in numbers.values()), "this wire reorders"
    assert sum(len(ns) - len(set(ns)) for ns in numbers.values()) > 50, "this wire repeats"


def test_the_counter_reads_the_integral_of_the_true_speed() -> None:
    script = EVERYTHING.split("[[line.counter]]")[0]
    run, sent = run_of(made(script), 200.0)
    t, reading = samples_of(sent, "metre-counter/length")
    fine = np.linspace(0.0, t[-1], 400_001)
    v = run.travel.speed(fine)
    by_speed = np.concatenate(([0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) * np.diff(fine))))
    assert np.abs(reading - 1000.0 - np.interp(t, fine, by_speed)).max() < 2e-3
    assert (np.diff(reading) >= 0).all()


def test_counter_faults_are_what_the_script_says() -> None:
    _, sent = run_of(made(EVERYTHING), 120.0)
    t, reading = samples_of(sent, "metre-counter/length")
    at = dict(zip(np.round(t, 3).tolist(), reading.tolist(), strict=True))
    assert at[20.0] == pytest.approx(1000 + 4 * 20)
    assert at[30.0] == pytest.approx(1000 + 4 * 30 - 0.1 * 40)  # 10 % of 40 m were lost
    assert at[100.0] == 0.0


def test_a_drum_change_starts_a_drum_at_the_cutter() -> None:
    run, sent = run_of(made(), 300.0)
    drums = [json.loads(s.payload) for s in sent if s.topic.endswith("take-up/drum")]
    assert [d["drum"] for d in drums] == ["T-0001", "T-0002", "T-0003", "T-0004"]
    assert [d["t"] / 1e3 - START_S for d in drums] == [0.0, 125.0, 200.0, 275.0]  # 4 m/s
    assert [c.start_m for c in run.truth.cuts] == [992.0, 1492.0, 1792.0, 2092.0]  # counter 114, take-up 122


def test_the_speed_of_the_machine_is_reported_when_it_changes() -> None:
    _, sent = run_of(made(EVERYTHING), 120.0)
    states = [json.loads(s.payload) for s in sent if s.topic.endswith("line/state")]
    assert [(m["t"] / 1e3 - START_S, m["state"], m["reason"]) for m in states] == [
        (0.0, "running", ""),
        (40.0, "ramping", "strip broke"),
        (55.0, "stopped", "strip broke"),
        (80.0, "ramping", ""),
        (100.0, "running", ""),
    ]


def test_instruments_stick_and_drop_out() -> None:
    _, sent = run_of(made(EVERYTHING), 60.0)
    t, v = samples_of(sent, "cold-gauge/diameter-x")
    stuck = (t >= 20.0) & (t < 27.0 - 1e-9)
    assert len(set(v[stuck].tolist())) == 1
    assert len(set(v[~stuck].tolist())) > 20
    t, _ = samples_of(sent, "hot-gauge/diameter")
    assert not ((t >= 30.123) & (t < 34.123)).any()
    assert np.diff(t).max() == pytest.approx(4.01, abs=0.011)


def test_every_message_names_the_numbering_and_streams_begin_at_0() -> None:
    run = simulate(made(), configuration(), "core-1", START_S, first_drum=7, numbering=1_764_000_000_123)
    sent = list(run.messages(until_s=2.0))
    first = {s.topic.removeprefix("tarn/core-1/"): json.loads(s.payload) for s in reversed(sent)}
    assert {json.loads(s.payload)["start"] for s in sent} == {1_764_000_000_123}
    assert {one["n"] for one in first.values()} == {0}
    assert first["take-up/drum"]["drum"] == "T-0007"
