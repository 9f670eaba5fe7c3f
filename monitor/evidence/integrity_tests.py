"""A circuit integrity test: whether flame, shocks and water kept the schedule, and how long the circuit held.

Tests for competent laboratories only: fire, mains voltage and water are present together. This module reads records.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from monitor.contract.config.recipe import Integrity
from monitor.contract.number_format import fixed
from monitor.contract.record import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """The schedule of a test. Times in s from ignition; `water_from_s` None for a test without water.

    `shock_first_s` and `shock_every_s` hold within `shock_within_s`; the flame holds `flame_C` within `below_C` and
    `above_C`, from `settle_s` on; classes are durations in minutes.
    """

    name: str
    flame_C: float
    below_C: float
    above_C: float
    shock_first_s: float
    shock_every_s: float
    shock_within_s: float
    classes_min: tuple[int, ...]
    water_from_s: float | None = None
    settle_s: float = 60.0


# EN 50200: 830 degC +40/-0, shocks first and every 5 min within 10 s (as quoted by laboratories' sheets); classes are
# from memory. Annex E (BS 8434-1): 15 min, then 15 min with water.
EN_50200 = Schedule(
    name="EN 50200",
    flame_C=830.0,
    below_C=0.0,
    above_C=40.0,
    shock_first_s=300.0,
    shock_every_s=300.0,
    shock_within_s=10.0,
    classes_min=(15, 30, 60, 90, 120),
)
EN_50200_WATER = Schedule(
    name="EN 50200 annex E",
    flame_C=830.0,
    below_C=0.0,
    above_C=40.0,
    shock_first_s=300.0,
    shock_every_s=300.0,
    shock_within_s=10.0,
    classes_min=(30,),
    water_from_s=900.0,
)


def schedule_of(test: Integrity) -> Schedule:
    """A recipe's schedule."""
    return Schedule(
        name=test.standard,
        flame_C=test.flame_C,
        below_C=test.below_C,
        above_C=test.above_C,
        shock_first_s=test.shock_first_s,
        shock_every_s=test.shock_every_s,
        shock_within_s=test.shock_within_s,
        classes_min=tuple(test.classes_min),
        water_from_s=test.water_from_s,
        settle_s=test.settle_s,
    )


@dataclass(frozen=True, slots=True)
class Outcome:
    """How long the circuit held, the class achieved, and where the schedule was not kept."""

    held_s: float
    class_min: int | None
    departures: tuple[str, ...]

    @property
    def valid(self) -> bool:
        return not self.departures


def judge(
    schedule: Schedule, t_s: Floats, flame_C: Floats, shocks_s: Sequence[float], broken_s: float | None, ended_s: float,
    water_s: float | None = None,
) -> Outcome:  # fmt: skip
    """Flame samples (n,), times of shocks, of the circuit's failure (None: it held) and of water, all from ignition.

    A class is earned only if the schedule was kept as long as it lasts. ValueError for a test that has no length.
    """
    if ended_s <= 0:
        raise ValueError(f"expected a test that ended after ignition, got {ended_s} s")
    held = ended_s if broken_s is None else min(broken_s, ended_s)
    departures = _flame(schedule, t_s, flame_C, held) + _shocks(schedule, shocks_s, held)
    departures += _water(schedule, water_s, held)
    earned = [c for c in schedule.classes_min if held >= 60 * c]
    return Outcome(held, max(earned, default=None) if not departures else None, tuple(departures))


def _flame(s: Schedule, t_s: Floats, flame_C: Floats, held_s: float) -> list[str]:
    inside = (t_s >= s.settle_s) & (t_s <= held_s)
    v = flame_C[inside]
    if not len(v) or not np.isfinite(v).all():
        return ["the flame's temperature was not recorded throughout"]
    out = (v < s.flame_C - s.below_C) | (v > s.flame_C + s.above_C)
    if not out.any():
        return []
    first = float(t_s[inside][np.argmax(out)])
    low, high = s.flame_C - s.below_C, s.flame_C + s.above_C
    flame = (
        f"flame {fixed(float(v.min()), 0)} to {fixed(float(v.max()), 0)} degC, allowed {fixed(low, 0)} to "
        f"{fixed(high, 0)}"
    )
    return [f"{flame}; first out at {fixed(first, 0)} s"]


def _shocks(s: Schedule, shocks_s: Sequence[float], held_s: float) -> list[str]:
    due = np.arange(s.shock_first_s, held_s - s.shock_within_s, s.shock_every_s)
    found = []
    for at in due:
        nearest = min(shocks_s, key=lambda x: abs(x - at), default=None)
        if nearest is None or abs(nearest - at) > s.shock_within_s:
            found.append(f"no shock within {fixed(s.shock_within_s, 0)} s of {fixed(at, 0)} s")
    return found


def _water(s: Schedule, water_s: float | None, held_s: float) -> list[str]:
    if s.water_from_s is None:
        return [] if water_s is None or water_s > held_s else [f"water at {fixed(water_s, 0)} s, none is prescribed"]
    if held_s <= s.water_from_s:
        return []
    if water_s is None or abs(water_s - s.water_from_s) > s.shock_within_s:
        came = "never" if water_s is None else f"at {fixed(water_s, 0)} s"
        return [f"water is due at {fixed(s.water_from_s, 0)} s, it came {came}"]
    return []
