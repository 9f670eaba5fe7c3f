"""Hours of a line at a coarse sampling, for the law of restarts: what a day may hold, at times that a seed chooses."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, partial
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from monitor.contract.record import Floats
from monitor.core.arrival import Arrival
from tests.core.script import T0, Script

HUSHED_S, SILENT_S, STANDS_S = 150.0, 200.0, 240.0
SLIPS_S, STUCK_S, UNCOUNTED_S = 600.0, 120.0, 90.0
HELD_BACK_S = 1200.0  # what the fault's instrument reports comes so late
COUNTED_S = 5.0  # how much a message of counter or speed holds: more is taken for a silent counter
SILENCE_S = 45.0  # arrivals further apart than this: the line is silent, and its monitor takes its own clock
TICK_AFTER_S = 15.0

Hum = Callable[[np.random.Generator, Floats, NDArray[np.bool_]], dict[str, tuple[Sequence[float] | Floats, float]]]


@dataclass(frozen=True, kw_only=True)
class Day:
    """One kind of line. `hum` gives from (random, speed in m/min, whether high) the values and step of each stream.

    `high` is the stream that goes high, `limit` its limit, `wide` another value of it; `hushed` falls silent.
    """

    line: str
    hours: float
    pace: float  # how much quicker things happen than on a line of 3.5 hours
    block_s: float
    kept_hours: float
    m_per_min: float
    recipe: str
    drum: str
    payoffs: tuple[str, ...]
    high: str
    limit: str
    wide: float
    hushed: str
    fault: str
    counter_step_s: float
    hum: Hum
    high_m_per_min: float | None = None  # where it is the speed that goes high
    moves_s: tuple[float, float] | None = None  # (for so long, once in so long); None: always
    take_up: str = "take-up"
    rows: int = 1000  # a script has more


def _about(rng: np.random.Generator, v: Floats, value: float, sd: float, every: int) -> tuple[Floats, float]:
    """Readings about a value, one of so many seconds, with their interval in s."""
    return (value + rng.normal(0, sd, len(v)))[::every], float(every)


def _laying_up(rng: np.random.Generator, v: Floats, high: NDArray[np.bool_]) -> dict:
    about = partial(_about, rng, v)
    return {
        "bow/speed": (312.5 * (v > 0), 1.0),
        "tape-head/speed": (2484.0 * (v > 0), 1.0),
        "pay-off-a/tension": ((np.where(high, 50.0, 31.0) + rng.normal(0, 0.5, len(v)))[::5], 5.0),
        "pay-off-b/tension": about(31, 0.5, 5),
        "spark-a/voltage": about(6.1, 0.01, 1),
        "spark-b/voltage": about(6.1, 0.01, 1),
        "take-up/tension": about(200, 1, 5),
    }


def _core(rng: np.random.Generator, v: Floats, high: NDArray[np.bool_]) -> dict:
    about = partial(_about, rng, v)
    return {
        "shock-oven/temperature": about(540, 0.3, 2),
        "oven-a/temperature": about(290, 0.3, 2),
        "oven-b/temperature": ((np.where(high, 319.0, 305.0) + rng.normal(0, 0.3, len(v)))[::2], 2.0),
        "cooling-trough/temperature": about(25, 0.1, 5),
        "spark-electrode/voltage": about(6, 0.02, 1),
        "head/pressure": about(150, 1, 5),
        "head/screw-speed": about(30, 0.1, 5),
        "dancer/position": about(50, 1, 1),
        "take-up/tension": about(80, 1, 5),
        "hot-gauge/diameter": about(3.58, 0.006, 1),
        "cold-gauge/diameter-x": about(3.58, 0.006, 1),
        "cold-gauge/diameter-y": about(3.58, 0.006, 1),
    }


def _sheath(rng: np.random.Generator, v: Floats, high: NDArray[np.bool_]) -> dict:
    about = partial(_about, rng, v)
    return {
        "barrel/temperature": about(152, 0.5, 5),
        "head/temperature": about(165, 0.5, 5),
        "head/pressure": about(220, 1, 5),
        "head/screw-speed": about(40, 0.1, 5),
        "trough-1/temperature": about(45, 0.2, 2),
        "trough-2/temperature": ((np.where(high, 48.0, 20.0) + rng.normal(0, 0.2, len(v)))[::2], 2.0),
        "air-wipe/pressure": about(3, 0.02, 5),
        "gauge/diameter-x": about(10.06, 0.01, 1),
        "gauge/diameter-y": about(10.06, 0.01, 1),
        "spark-electrode/voltage": about(8, 0.02, 1),
    }


def _rewinder(rng: np.random.Generator, v: Floats, high: NDArray[np.bool_]) -> dict:
    return {"take-up/tension": ((120 + rng.normal(0, 1, len(v)))[::5], 5.0)}


def _bench(rng: np.random.Generator, v: Floats, high: NDArray[np.bool_]) -> dict:
    return {"flame/temperature": (np.where(high, 878.0, 850.0) + rng.normal(0, 0.5, len(v)), 1.0)}


DAYS = {
    "lay-1": Day(
        line="lay-1", hours=2.5, pace=1.4, block_s=30.0, kept_hours=0.7, m_per_min=50.0, recipe="laid-2x2g5", drum="L1",
        payoffs=("pay-off-a", "pay-off-b"), high="pay-off-a/tension", limit="window/pay-off-a/tension/hi", wide=41.0,
        hushed="spark-b/voltage", fault="spark-a/spark-fault", counter_step_s=1.0, hum=_laying_up,
    ),
    "core-1": Day(
        line="core-1", hours=0.6, pace=5.0, block_s=10.0, kept_hours=0.15, m_per_min=60.0, recipe="core-2g5", drum="C1",
        payoffs=(), high="oven-b/temperature", limit="window/oven-b/temperature/hi", wide=316.0,
        hushed="cold-gauge/diameter-y", fault="spark-electrode/spark-fault", counter_step_s=2 / 3, hum=_core,
    ),
    "sheath-1": Day(
        line="sheath-1", hours=0.6, pace=5.0, block_s=10.0, kept_hours=0.15, m_per_min=115.0, recipe="cable-2x2g5",
        drum="S1", payoffs=("pay-off",), high="trough-2/temperature", limit="window/trough-2/temperature/hi", wide=42.0,
        hushed="gauge/diameter-y", fault="spark-electrode/spark-fault", counter_step_s=0.5, hum=_sheath,
    ),
    "rewind-1": Day(
        line="rewind-1", hours=1.5, pace=2.0, block_s=10.0, kept_hours=0.4, m_per_min=180.0, recipe="reel-2x2g5",
        drum="R1", payoffs=("pay-off",), high="metre-counter/speed", limit="window/metre-counter/speed/hi", wide=204.0,
        hushed="take-up/tension", fault="take-up/label", counter_step_s=1.0, hum=_rewinder, high_m_per_min=210.0,
    ),
    "fire-1": Day(
        line="fire-1", hours=2.0, pace=1.5, block_s=10.0, kept_hours=0.5, m_per_min=24.0, recipe="fire-2x2g5",
        drum="T1", payoffs=("clamp",), high="flame/temperature", limit="window/flame/temperature/hi", wide=872.0,
        hushed="flame/temperature", fault="circuit/failure", counter_step_s=1.0, hum=_bench, moves_s=(3.0, 300.0),
        take_up="holder", rows=20,
    ),
}  # fmt: skip


@cache
def script(line: str, seed: int) -> tuple[Arrival, ...]:
    """Drums, pay-off changes, a stop, alarms that are acknowledged, shelved and raised again, a silent instrument, a
    silent line, a change of limits; a counter that is reset, slips, stands and is silent; faults that come late."""
    day, rng, script = DAYS[line], np.random.default_rng(seed), Script(line)
    end_s, block_s, pace = day.hours * 3600, day.block_s, day.pace
    stop_s, high_s, hushed_s, silent_s = rng.uniform(600 / pace, end_s - 900 / pace, 4)
    long_high_s = rng.uniform(600 / pace, end_s - 2400 / pace)
    resets_s = np.sort(rng.uniform(600 / pace, end_s, 2))
    slips_s, stuck_s, uncounted_s = np.random.default_rng((seed, 1)).uniform(600 / pace, end_s - 600 / pace, 3)
    counted = 2000.0
    script.send("line/state", T0, state="running")
    script.send(f"{day.take_up}/drum", T0, drum=f"{day.drum}-0001", recipe=day.recipe)
    if day.moves_s is not None:  # nobody but the machine can tell
        script.send("line/state", T0 + round(stop_s), state="stopped")
        script.send("line/state", T0 + round(stop_s + STANDS_S), state="running")
    _changes_of_drums(day, seed, rng, script)
    _people(day, script, high_s, long_high_s)
    for begin in np.arange(0, end_s, block_s):
        t = begin + np.arange(block_s)
        high = _within((t - high_s) * pace, (0, 300)) | _within((t - long_high_s) * pace, (0, 600), (800, 2100))
        v = np.where(high & (day.high_m_per_min is not None), day.high_m_per_min or 0.0, day.m_per_min)
        v[(t >= stop_s) & (t < stop_s + STANDS_S)] = 0.0
        if day.moves_s is not None:
            v[t % day.moves_s[1] >= day.moves_s[0]] = 0.0
        share = np.where(_within((t - slips_s) * pace, (0, SLIPS_S)), 0.9, 1.0)
        share[_within((t - stuck_s) * pace, (0, STUCK_S))] = 0.0
        run = counted + np.concatenate(([0.0], np.cumsum(v * share) / 60.0))
        at = begin + np.arange(0, block_s, day.counter_step_s)[: round(block_s / day.counter_step_s)]
        reading = np.interp(at, [*t, begin + block_s], run) - 700.0 * np.searchsorted(resets_s, at, side="right")
        sampled = day.hum(rng, v, high)
        if hushed_s <= begin < hushed_s + HUSHED_S:
            del sampled[day.hushed]
        if rng.random() < block_s / 1000:
            sampled[day.fault] = ([1.0], 1.0)
        counted = float(run[-1])
        if not silent_s <= begin < silent_s + SILENT_S:
            for path, (values, dt_s) in sampled.items():
                script.send_samples(path, T0 + begin, values, dt_s)
            if not 0 <= begin - uncounted_s < UNCOUNTED_S / pace:
                _in_parts(script, "metre-counter/length", T0 + begin, reading, day.counter_step_s)
            _in_parts(script, "metre-counter/speed", T0 + begin, v, 1.0)
    _hold_back(script, day, np.random.default_rng((seed, 2)).uniform(600 / pace, end_s - 600 / pace))
    return tuple(script.sorted())


def _hold_back(script: Script, day: Day, begin_s: float) -> None:
    """What the fault's instrument reports in a while comes at its end."""
    begin_s, until_s = T0 + begin_s, T0 + begin_s + HELD_BACK_S / day.pace
    for i, a in enumerate(script.arrivals):
        if a.topic.endswith(day.fault) and begin_s <= a.received_s < until_s:
            script.arrivals[i] = msgspec.structs.replace(a, received_s=until_s)


def _in_parts(script: Script, path: str, t_s: float, values: Floats, dt_s: float) -> None:
    size = max(1, round(COUNTED_S / dt_s))
    for i in range(0, len(values), size):
        script.send_samples(path, t_s + i * dt_s, values[i : i + size], dt_s)


def _within(t_s: Floats, *spans_s: tuple[float, float]) -> NDArray[np.bool_]:
    return np.any([(t_s >= a) & (t_s < b) for a, b in spans_s], axis=0)


def _changes_of_drums(day: Day, seed: int, rng: np.random.Generator, script: Script) -> None:
    """With an even seed the last drum is long, as in A3."""
    end_s = day.hours * 3600
    for i, at_s in enumerate(np.sort(rng.uniform(120, 1500 / day.pace if seed % 2 == 0 else end_s, 3))):
        script.send(f"{day.take_up}/drum", T0 + round(at_s), drum=f"{day.drum}-{i + 2:04}", recipe=day.recipe)
    if not day.payoffs:
        return
    script.send(f"{day.payoffs[0]}/payoff", T0, drum="C1-0001", left_m=700.0)
    for i, at_s in enumerate(np.sort(rng.uniform(60, end_s, 4))):
        payoff = day.payoffs[i % len(day.payoffs)]
        script.send(f"{payoff}/payoff", T0 + round(at_s), drum=f"C{i % 2 + 1}-{i + 2:04}")


def _people(day: Day, script: Script, high_s: float, long_high_s: float) -> None:
    change: dict[str, Any] = {"proposal": "P1", "recipe": day.recipe}
    wide = {day.limit: day.wide}
    script.send(
        "operator/limits", T0 + round(700 / day.pace), step="propose", by="Mira", reason="wide", changes=wide, **change
    )
    script.send("operator/limits", T0 + round(1700 / day.pace), step="approve", by="Olle", **change)
    alarm = f"{day.high}/HI"
    script.send("operator/action", T0 + round(high_s + 90 / day.pace), action="acknowledge", by="Mira", alarm=alarm)
    shelve: dict[str, Any] = {
        "alarm": alarm,
        "reason": "known",
        "until": round((T0 + long_high_s + 1500 / day.pace) * 1e3),
    }
    script.send("operator/action", T0 + round(long_high_s + 120 / day.pace), action="shelve", by="Mira", **shelve)


def parts(arrivals: Sequence[Arrival], size: int, last_s: float | None = None) -> list[tuple[Sequence[Arrival], float]]:
    """Batches of arrivals with the clock at which each is taken; where the line was silent, one of none.

    `last_s` is when the newest arrival before these came.
    """
    found: list[tuple[Sequence[Arrival], float]] = []
    start = 0
    for i, arrival in enumerate(arrivals):
        before_s = arrivals[i - 1].received_s if i else last_s
        silent = before_s is not None and arrival.received_s - before_s > SILENCE_S
        if i > start and (silent or i - start == size):
            found.append((arrivals[start:i], arrivals[i - 1].received_s))
            start = i
        if silent and before_s is not None:
            found.append(((), before_s + TICK_AFTER_S))
    return [*found, (arrivals[start:], arrivals[-1].received_s)] if arrivals else found
