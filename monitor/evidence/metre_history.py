"""One metre's route through the line from stored samples: its position over time, and its heat history."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.record import Floats
from monitor.contract.units import convert
from monitor.core.cure.plan import Plan
from monitor.core.track import Track
from monitor.physics.cure import new_elements
from monitor.physics.heat_march import Media, Trace, march_traced


@dataclass(frozen=True, slots=True)
class Series:
    """Samples of one stream: UTC s, rising, and values in the stream's unit, NaN where bad."""

    t_s: Floats
    v: Floats


@dataclass(frozen=True, slots=True)
class Passage:
    """Line metre over time, counter faults bridged as in the stream, set so that an anchor of the record holds."""

    line: Line
    track: Track
    shift_m: float

    @classmethod
    def of(cls, line: Line, counter: Series, speed: Series, anchor_s: float, anchor_L_m: float) -> "Passage":
        """From samples of counter and speed; the counter was at line metre `anchor_L_m` at `anchor_s`."""
        track = Track.of(line)
        good = ~np.isnan(speed.v)
        track.add_speed(speed.t_s[good], convert(speed.v[good], line.speed_unit, "m/s"))
        track.add_counter(counter.t_s, counter.v)
        return cls(line, track, anchor_L_m - float(track.at(anchor_s)))

    def when_s(self, metre: float, position_m: Floats) -> Floats:
        """When the middle of a whole line metre was at path positions (k,); NaN outside what was stored."""
        return self.track.when(metre + 0.5 - self.line.counter_m - self.shift_m + np.asarray(position_m, dtype=float))

    def where_m(self, metre: float, t_s: Floats) -> Floats:
        """Path position of the middle of a whole line metre at times (k,)."""
        return np.asarray(self.track.at(t_s) + self.shift_m + self.line.counter_m - (metre + 0.5))


@dataclass(frozen=True, slots=True)
class Heat:
    """Temperatures and cure of one metre along its way: path position [m] and what it was there (k,)."""

    position_m: Floats
    trace: Trace


def heat_of(line: Line, recipe: Recipe, passage: Passage, ovens: Mapping[str, Series], metre: float) -> Heat | None:
    """Heat history of a metre from the head to the take-up; None without a cure, or where its way is not stored.

    `ovens` holds the samples of each zone's temperature stream; a stream without any counts as the open air.
    """
    plan = Plan.of(line, recipe)
    if plan is None:
        return None
    cross_s = passage.when_s(metre, plan.route.edges_m)
    if np.isnan(cross_s).any():
        return None
    media = Media.of([*(_knots(ovens.get(s), plan.air_C) for s in plan.streams), _always(plan.air_C)])
    element = new_elements(plan.cable, plan.wall, plan.nominal, cross_s[:1])
    trace = march_traced(element, cross_s[None, :], plan.nominal, media, plan.t90, plan.ageing)
    return Heat(passage.where_m(metre, trace.t_s), trace)


def oven_streams(line: Line, recipe: Recipe) -> tuple[str, ...]:
    """Streams whose samples `heat_of` needs."""
    plan = Plan.of(line, recipe)
    return plan.streams if plan else ()


def _knots(series: Series | None, air_C: float) -> tuple[Floats, Floats]:
    if series is None or np.isnan(series.v).all():
        return _always(air_C)
    good = ~np.isnan(series.v)
    return series.t_s[good], series.v[good]


def _always(C: float) -> tuple[Floats, Floats]:
    return np.zeros(1), np.array([C])
