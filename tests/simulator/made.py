"""Scenarios made for tests, their runs, and what one stream of a run samples_of."""

import json
from functools import cache
from pathlib import Path

import numpy as np

from monitor.contract.config.configuration import Configuration
from monitor.contract.config.load import load
from simulator.line import LineRun, Sent, simulate
from simulator.scenario import Scenario, parse_scenario

CONFIGS = Path(__file__).parents[2] / "configs"
START_S = 1_764_000_000.0
HEAD = """
scenario = "made"
title = "Made for a test"
seed = {seed}
{top}
[[line]]
line = "core-1"
recipe = "core-2g5"
start_m_per_min = {start}
line_metre_start_m = 1000.0
drum_prefix = "T"
drum_length_m = [500.0, 300.0]
"""


@cache
def configuration() -> Configuration:
    return load(CONFIGS)


def made(script: str = "", seed: int = 5, start: float = 240.0, top: str = "") -> Scenario:
    return parse_scenario("made.toml", HEAD.format(seed=seed, start=start, top=top) + script, configuration())


def run_of(scenario: Scenario, until_s: float, page_s: float = 60.0) -> tuple[LineRun, list[Sent]]:
    run = simulate(scenario, configuration(), "core-1", START_S)
    return run, list(run.messages(page_s, until_s))


def samples_of(sent: list[Sent], path: str) -> tuple[np.ndarray, np.ndarray]:
    """Times (s from the start) and values of one stream, in order."""
    t, v = [], []
    for m in sorted((json.loads(s.payload) for s in sent if s.topic.endswith("core-1/" + path)), key=lambda m: m["n"]):
        values = m["v"] if isinstance(m["v"], list) else [m["v"]]
        t += [(m["t"] + i * m.get("dt", 0)) / 1e3 - START_S for i in range(len(values))]
        v += values
    return np.array(t), np.array(v)


EVERYTHING = """
[[line.speed]]
at_s = 40.0
to_m_per_min = 0.0
over_s = 15.0
reason = "strip broke"
[[line.speed]]
at_s = 80.0
to_m_per_min = 240.0
over_s = 20.0
[[line.oven]]
zone = "oven-b"
kind = "sag"
at_s = 10.0
for_s = 60.0
to_C = 265.0
over_s = 10.0
[[line.lump]]
height_mm = 0.2
per_km = 30.0
[[line.lump]]
height_mm = -0.2
at_m = [50.0, 130.0]
[[line.spark]]
kind = "random"
per_km = 40.0
[[line.spark]]
kind = "cluster"
per_km = 5.0
[[line.spark]]
kind = "recurring"
part = "capstan-wheel"
probability = 0.5
[[line.instrument]]
stream = "cold-gauge/diameter-x"
kind = "stick"
at_s = 20.0
for_s = 7.0
[[line.instrument]]
stream = "hot-gauge/diameter"
kind = "drop-out"
at_s = 30.123
for_s = 4.0
[[line.counter]]
kind = "reset"
at_s = 100.0
[[line.counter]]
kind = "slip"
at_s = 20.0
for_s = 10.0
percent = 10.0
[[line.upset]]
stream = "spark-electrode/voltage"
at_s = 30.0
for_s = 5.0
by = -2.0
"""
UNKIND = """
repeat_s = 130.0
[wire]
delay_mean_s = 0.05
delay_most_s = 0.5
repeated_share = 0.05
reordered_share = 0.05
reordered_by_s = 1.0
"""
