"""The engine, marked against the truth of the scenarios: nothing missed, nothing false, nothing out of place."""

import pytest

from monitor.contract.record import CounterFault, DrumSpan, Finding, Gap, Output, Rejected
from monitor.core.arrival import Arrival
from monitor.core.engine import Engine
from simulator.line import Run, simulate
from simulator.mark import mark, table
from simulator.scenario import load_scenario
from tests.simulator.made import CONFIGS, START_S, configuration

BATCH = 200


def recorded(scenario_name: str, line: str) -> tuple[Run, list[Output]]:
    """One line's run through the engine, in batches as a live monitor meets them."""
    scenario = load_scenario(CONFIGS, scenario_name, configuration())
    run, engine = simulate(scenario, configuration(), line, START_S), Engine(configuration())
    out: list[Output] = []
    arrivals = [Arrival(s.topic, s.payload, s.send_s) for s in run.messages(until_s=scenario.lasts_s)]
    for i in range(0, len(arrivals), BATCH):
        out += engine.feed(arrivals[i : i + BATCH])
    return run, out + engine.tick(START_S + scenario.lasts_s + 30.0)


@pytest.mark.parametrize(
    ("scenario", "line"),
    [
        ("clean", "core-1"),
        ("clean", "core-2"),
        ("standard", "core-1"),
        ("demo", "core-1"),
        ("demo", "core-2"),
        ("oven-sag", "core-1"),
        ("slow-drift", "core-1"),
        ("stop-60s", "core-1"),
        ("shock-trip", "core-1"),
        ("ramp", "core-1"),
    ],
)
def test_full_marks(scenario: str, line: str) -> None:
    run, out = recorded(scenario, line)
    findings = [o for o in out if isinstance(o, Finding)]
    drums = [o for o in out if isinstance(o, DrumSpan)]
    marks = mark(run.truth, findings, drums, run.line, run.recipe)
    assert all(m.good for m in marks), table({line: marks})
    assert not [o for o in out if isinstance(o, Rejected | Gap)]
    told = {o.kind for o in out if isinstance(o, CounterFault)}
    assert told == {fault.kind for fault in run.truth.counter}


def test_the_standard_scenario_is_worth_marking() -> None:
    """At least three drums, ramps and a stop, and enough faults to miss."""
    run, _ = recorded("standard", "core-1")
    assert len(run.truth.cuts) >= 4
    assert len(run.truth.sparks) >= 40
    assert len(run.truth.beyond) >= 40
    assert {s.state for s in run.truth.states} == {"running", "ramping", "stopped"}


def test_ten_kilometres_of_a_clean_run_raise_nothing() -> None:
    run, out = recorded("clean", "core-1")
    assert run.travel.S_m[-1] > 10_000
    over_s = START_S + run.truth.until_s - 2.0  # after that every gauge is silent
    assert not [o for o in out if isinstance(o, Finding) and o.start_s < over_s]
