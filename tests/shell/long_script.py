"""A core line for as long as wanted: what happens on it in months happens every few minutes."""

from typing import Any

import numpy as np

from monitor.core.arrival import Arrival
from tests.core.script import T0, Script

BEGIN_S = T0 - 600.0  # ten minutes before the first hour is full
LINE, RECIPE, OTHER_RECIPE = "core-1", "core-2g5", "core-1g5"
LIMIT = "window/oven-b/temperature/hi"
LIMITS_C = (317.0, 315.0)  # in turn; the oven's excursions go beyond both
MESSAGES_PER_S = 14.0  # of line time
NAMES = 3  # of drums, which come back
RUN_M_PER_MIN = 230.0
GAUGES = ("hot-gauge/diameter", "cold-gauge/diameter-x", "cold-gauge/diameter-y")
STOP_EVERY_S, STOP_AT_S, RAMP_S, STOOD_S = 900, 700, 10, 80
ALARM = "oven-b/temperature/HI"


def long_script(line_s: int, seed: int = 1) -> list[Arrival]:
    """So many seconds of line time, in the order in which they are received.

    Drums whose names come back, two recipes, stops, excursions, faults, silent gauges, a counter that is set back,
    alarms that are acknowledged and shelved, marked metres, and limits that two people change.
    """
    rng, script, L = np.random.default_rng(seed), Script(LINE), 1000.0
    script.send("line/state", BEGIN_S, state="running")
    for s in range(line_s):
        _people_and_events(script, s, L)
        v = np.array([_speed(s + i / 10) for i in range(11)])
        run = L + np.concatenate(([0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) / 60 * 0.1)))
        back_m = 900.0 * (s // 1300)
        sampled = {
            "metre-counter/length": (run[:10] - back_m, 0.1),
            "metre-counter/speed": (v[:10], 0.1),
            "shock-oven/temperature": (540 + rng.normal(0, 0.3, 2), 0.5),
            "oven-a/temperature": (290 + rng.normal(0, 0.3, 2), 0.5),
            "oven-b/temperature": ((319.0 if 100 <= s % 300 < 140 else 305.0) + rng.normal(0, 0.3, 2), 0.5),
            "cooling-trough/temperature": (25 + rng.normal(0, 0.1, 1), 1.0),
            "spark-electrode/voltage": (6 + rng.normal(0, 0.02, 2), 0.5),
            "head/pressure": (150 + rng.normal(0, 1, 1), 1.0),
            "head/screw-speed": (30 + rng.normal(0, 0.1, 1), 1.0),
            "dancer/position": (50 + rng.normal(0, 1, 10), 0.1),
            "take-up/tension": (80 + rng.normal(0, 1, 1), 1.0),
        }
        sampled |= {gauge: (3.58 + rng.normal(0, 0.006, 50), 0.02) for gauge in GAUGES}
        if s % 83 == 40:
            sampled[GAUGES[1]][0][10:35] += 0.13
        for path, (values, dt_s) in sampled.items():
            if not (path == GAUGES[2] and 450 <= s % 500 < 456):
                script.send_samples(path, BEGIN_S + s, np.round(values, 4), dt_s)
        L = float(run[10])
    return script.sorted()


def _speed(s: float) -> float:
    """m/min at a second of the script."""
    at = s % STOP_EVERY_S - STOP_AT_S
    end = 2 * RAMP_S + STOOD_S
    if not 0 <= at < end:
        return RUN_M_PER_MIN
    return RUN_M_PER_MIN * max(0.0, 1 - at / RAMP_S, 1 - (end - at) / RAMP_S)


def _people_and_events(script: Script, s: int, L: float) -> None:
    t, excursion = BEGIN_S + s, s // 300
    states = {0: "ramping", RAMP_S: "stopped", RAMP_S + STOOD_S: "ramping", 2 * RAMP_S + STOOD_S: "running"}
    state = states.get(s % STOP_EVERY_S - STOP_AT_S)
    if state:
        script.send("line/state", t, state=state, reason="strip broke" if state == "stopped" else "")
    if s % 250 == 0:
        drum = s // 250
        recipe = OTHER_RECIPE if drum % 4 == 3 else RECIPE
        script.send("take-up/drum", t, drum=f"C1-{drum % NAMES + 1:04}", recipe=recipe, planned_length_m=950)
    if s % 97 == 50:
        script.send_samples("spark-electrode/spark-fault", t + 0.3, 1)
    if s % 300 == 116 and excursion % 3 != 2:
        script.send("operator/action", t, action="acknowledge", by="Mira", alarm=ALARM)
    if s % 300 == 120 and excursion % 3 == 1:
        until = round((t + 90) * 1e3)
        script.send("operator/action", t, action="shelve", by="Mira", reason="known", alarm=ALARM, until=until)
    if s % 600 == 330:
        marked_m = {"start_m": round(L - 40.0, 1), "end_m": round(L - 38.0, 1)}
        script.send("operator/action", t, action="mark metres", by="Olle", reason="scrape", **marked_m)
    if s % 400 == 350:
        change: dict[str, Any] = {"proposal": f"P{s}", "recipe": RECIPE}
        limit = LIMITS_C[s // 400 % 2]
        script.send(
            "operator/limits", t, step="propose", by="Mira", reason="rehearsed", changes={LIMIT: limit}, **change
        )
        script.send("operator/limits", t + 0.2, step="approve", by="Olle", **change)
