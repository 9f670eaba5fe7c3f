"""Temperature of the medium of a zone over time: its mean over any dwell, and the samples for the cure computation."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.contract.config.line import Zone
from monitor.contract.record import Floats
from monitor.core.passages import Passages

KNOT_S = 0.2  # an oven does not change faster: denser samples cost the cure time and add nothing


@dataclass(slots=True, kw_only=True)
class ZoneHeat:
    """Temperature of one medium over time, with its integral, so that the mean over any dwell is two look-ups."""

    held_s: float
    t_s: Floats = field(default_factory=lambda: np.empty(0))
    v: Floats = field(default_factory=lambda: np.empty(0))
    integral: Floats = field(default_factory=lambda: np.empty(0))
    unheard_s: Floats = field(default_factory=lambda: np.empty(0))  # time so far that no sample covers
    knot_s: Floats = field(default_factory=lambda: np.empty(0))  # samples the cure marches by, KNOT_S apart
    knot_v: Floats = field(default_factory=lambda: np.empty(0))
    _slot: float = -np.inf

    def add(self, t_s: Floats, v: Floats) -> None:
        """Samples in order, without NaN."""
        self._add_knots(t_s, v)
        if not len(self.t_s):
            self.t_s, self.v = t_s[:1], v[:1]
            self.integral, self.unheard_s = np.zeros(1), np.zeros(1)
            t_s, v = t_s[1:], v[1:]
            if not len(t_s):
                return
        steps = np.diff(t_s, prepend=self.t_s[-1])
        means = 0.5 * (v + np.concatenate((self.v[-1:], v[:-1])))
        self.t_s = np.concatenate((self.t_s, t_s))
        self.v = np.concatenate((self.v, v))
        self.integral = _continue(self.integral, _exact(steps * means))
        self.unheard_s = _continue(self.unheard_s, _exact(np.maximum(steps - self.held_s, 0.0)))

    def _add_knots(self, t_s: Floats, v: Floats) -> None:
        """The first sample of each slot of time: which one that is depends on stamps only."""
        slots = np.floor(t_s / KNOT_S)
        first = np.diff(slots, prepend=self._slot) > 0
        self._slot = float(slots[-1])
        self.knot_s = np.concatenate((self.knot_s, t_s[first]))
        self.knot_v = np.concatenate((self.knot_v, v[first]))

    def mean(self, a_s: Floats, b_s: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Mean between two times, and whether samples cover all of it.

        A sample covers the time up to the next one, straight between the two; where that is further away than
        `held_s`, or has not come, its value holds for so long. The first one covers `held_s` before it too.
        """
        if not len(self.t_s):
            return np.full_like(a_s, np.nan), np.zeros(len(a_s), dtype=bool)
        (i, heat_a, unheard_a), (j, heat_b, unheard_b) = self._since_sample(a_s), self._since_sample(b_s)
        heat = (self.integral[j] - self.integral[i]) + (heat_b - heat_a)
        known = (self.unheard_s[j] - self.unheard_s[i]) + (unheard_b - unheard_a) <= 0.0
        span = np.where(b_s > a_s, b_s - a_s, 1.0)
        mean = np.where(b_s > a_s, heat / span, np.interp(a_s, self.t_s, self.v))
        return np.where(known, mean, np.nan), known

    def _since_sample(self, t_s: Floats) -> tuple[NDArray[np.int64], Floats, Floats]:
        """The sample before each time, and what integral and unheard time have grown by since.

        No sum enters the latter two, so that they are the same to the bit wherever the sums began.
        """
        at = np.maximum(np.searchsorted(self.t_s, t_s, side="right") - 1, 0)
        since_s = t_s - self.t_s[at]
        steps, widths_s = np.append(np.diff(self.integral), 0.0)[at], np.append(np.diff(self.t_s), np.inf)[at]
        holds = (widths_s > self.held_s) | (since_s < 0.0)
        heat = np.where(holds, self.v[at] * since_s, steps * (since_s / widths_s))
        unheard_s = np.where(holds, since_s - np.clip(since_s, -self.held_s, self.held_s), 0.0)
        return at, heat, unheard_s

    def mean_over(self, zones: list[Zone], passed: "Passages") -> Floats:
        """Mean temperature of each metre in these passes together; NaN where any moment has no data."""
        total, dwell = np.zeros(len(passed.metres)), np.zeros(len(passed.metres))
        for zone in zones:
            entered, left = passed.at[zone.start_m], passed.at[zone.end_m]
            total += self.mean(entered, left)[0] * (left - entered)
            dwell += left - entered
        whole: Floats = np.divide(total, dwell, out=np.full(len(dwell), np.nan), where=dwell > 0)
        return whole

    def forget_before(self, t_s: float) -> None:
        """Drop samples no dwell needs any more."""
        first = int(np.searchsorted(self.t_s, t_s)) - 2
        if first > 256:
            self.t_s, self.v = self.t_s[first:], self.v[first:]
            self.integral = self.integral[first:] - self.integral[first]
            self.unheard_s = self.unheard_s[first:] - self.unheard_s[first]
        first = int(np.searchsorted(self.knot_s, t_s)) - 2
        if first > 256:
            self.knot_s, self.knot_v = self.knot_s[first:], self.knot_v[first:]


def _exact(steps: Floats) -> Floats:
    """Steps to a multiple of 2^-20, so that their sums are exact below 2^33: no sum depends on where it began."""
    whole: Floats = np.rint(steps * 2.0**20) / 2.0**20
    return whole


def _continue(total: Floats, steps: Floats) -> Floats:
    more = np.cumsum(np.concatenate((total[-1:], steps)))[1:]
    return np.concatenate((total, more))
