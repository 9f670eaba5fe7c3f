"""Rows of metres: what each whole line metre met at every station and in every zone, and whether it was seen."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.contract.config.line import Zone
from monitor.contract.record import Floats
from monitor.core.track import Track


@dataclass(slots=True)
class Cells:
    """Samples of one gauge gathered by whole line metre: count, sum, least, most, newest value and time."""

    held_s: float
    base: int | None = None
    count: Floats = field(default_factory=lambda: np.empty(0))
    total: Floats = field(default_factory=lambda: np.empty(0))
    least: Floats = field(default_factory=lambda: np.empty(0))
    most: Floats = field(default_factory=lambda: np.empty(0))
    newest: Floats = field(default_factory=lambda: np.empty(0))
    newest_s: Floats = field(default_factory=lambda: np.empty(0))
    held: float = np.nan
    heard_s: float = -np.inf

    def add(self, M: Floats, t_s: Floats, v: Floats) -> None:
        """Samples at line metres `M` (never falling), without NaN."""
        cell = np.floor(M).astype(np.int64)
        if self.base is None:
            self.base = int(cell[0])
        cell -= self.base
        if cell[0] < 0:  # already given away
            keep = cell >= 0
            cell, t_s, v = cell[keep], t_s[keep], v[keep]
            if not len(cell):
                return
        self._reach(int(cell[-1]) + 1)
        if cell[0] == cell[-1]:
            self._add_to_one(int(cell[0]), t_s, v)
            return
        np.add.at(self.count, cell, 1.0)
        np.add.at(self.total, cell, v)  # one after the other, so that no cut of the stream shows
        starts = np.flatnonzero(np.diff(cell, prepend=-1))
        at = cell[starts]
        self.least[at] = np.minimum(self.least[at], np.minimum.reduceat(v, starts))
        self.most[at] = np.maximum(self.most[at], np.maximum.reduceat(v, starts))
        last = np.append(starts[1:], len(cell)) - 1
        self.newest[at] = v[last]
        self.newest_s[at] = t_s[last]

    def _add_to_one(self, i: int, t_s: Floats, v: Floats) -> None:
        self.count[i] += len(v)
        self.total[i] = np.cumsum(np.concatenate((self.total[i : i + 1], v)))[-1]
        self.least[i] = min(self.least[i], v.min())
        self.most[i] = max(self.most[i], v.max())
        self.newest[i], self.newest_s[i] = v[-1], t_s[-1]

    def take(self, first: int, count: int, passed_s: Floats) -> tuple[Floats, Floats, Floats]:
        """Mean, least and most of metres `first` .. and forget them; `passed_s` is when each was at the gauge.

        A metre without a sample of its own has the last one before it, if that was at most `held_s` old.
        """
        if self.base is None or count == 0:
            nothing = np.full(count, np.nan)
            return nothing, nothing.copy(), nothing.copy()
        if first < self.base:  # the gauge began to speak later than the line began to run
            early = min(self.base - first, count)
            rest = self.take(first + early, count - early, passed_s[early:])
            mean, least, most = (np.concatenate((np.full(early, np.nan), part)) for part in rest)
            return mean, least, most
        self._skip(first - self.base)
        self._reach(count)
        n = self.count[:count]
        own = n > 0
        mean = np.divide(self.total[:count], n, out=np.full(count, np.nan), where=own)
        least = np.where(own, self.least[:count], np.nan)
        most = np.where(own, self.most[:count], np.nan)
        self._hold(own, mean, least, most, passed_s)
        self._drop(count)
        return mean, least, most

    def _hold(self, own: NDArray[np.bool_], mean: Floats, least: Floats, most: Floats, passed_s: Floats) -> None:
        count = len(own)
        if not count:
            return
        newest = np.concatenate(([self.held], self.newest[:count]))
        newest_s = np.concatenate(([self.heard_s], self.newest_s[:count]))
        at = np.maximum.accumulate(np.where(own, np.arange(1, count + 1), 0))
        self.held, self.heard_s = float(newest[at[-1]]), float(newest_s[at[-1]])
        fresh = ~own & (passed_s - newest_s[at] <= self.held_s)
        for column in (mean, least, most):
            column[fresh] = newest[at][fresh]

    def _skip(self, count: int) -> None:
        """Forget metres that nobody asked for; those that follow may still hold the newest sample of them."""
        spoken = np.flatnonzero(self.count[: max(count, 0)])
        if len(spoken):
            self.held, self.heard_s = float(self.newest[spoken[-1]]), float(self.newest_s[spoken[-1]])
        self._drop(count)

    def _reach(self, size: int) -> None:
        grow = size - len(self.count)
        if grow <= 0:
            return
        grow = max(grow, 256)
        for name, blank in _BLANK.items():
            setattr(self, name, np.concatenate((getattr(self, name), np.full(grow, blank))))

    def _drop(self, count: int) -> None:
        if count <= 0 or self.base is None:
            return
        self.base += count
        for name in _BLANK:
            setattr(self, name, getattr(self, name)[count:])


_BLANK = {"count": 0.0, "total": 0.0, "least": np.inf, "most": -np.inf, "newest": np.nan, "newest_s": -np.inf}


KNOT_S = 0.2  # an oven does not change faster: samples that come denser cost the cure time and tell it nothing


@dataclass(slots=True)
class ZoneHeat:
    """Temperature of one medium over time, with its integral, so that the mean over any dwell is two look-ups."""

    held_s: float
    t_s: Floats = field(default_factory=lambda: np.empty(0))
    v: Floats = field(default_factory=lambda: np.empty(0))
    integral: Floats = field(default_factory=lambda: np.empty(0))
    unheard_s: Floats = field(default_factory=lambda: np.empty(0))  # time so far that no sample speaks for
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
        """Mean between two times and whether every moment between was spoken for."""
        if not len(self.t_s):
            return np.full_like(a_s, np.nan), np.zeros(len(a_s), dtype=bool)
        span = np.where(b_s > a_s, b_s - a_s, 1.0)
        mean = np.where(b_s > a_s, self._between(self.integral, a_s, b_s) / span, np.interp(a_s, self.t_s, self.v))
        known = (a_s >= self.t_s[0] - self.held_s) & (b_s <= self.t_s[-1] + self.held_s)
        known &= self._between(self.unheard_s, a_s, b_s) <= 0.0
        return np.where(known, mean, np.nan), known

    def _between(self, total: Floats, a_s: Floats, b_s: Floats) -> Floats:
        """How much a running sum grows between two times: the same to the bit wherever the sum began."""
        steps, widths = np.append(np.diff(total), 0.0), np.append(np.diff(self.t_s), 1.0)

        def place(t_s: Floats) -> tuple[NDArray[np.int64], Floats]:
            at = np.clip(np.searchsorted(self.t_s, t_s, side="right") - 1, 0, len(total) - 1)
            share = np.clip((t_s - self.t_s[at]) / widths[at], 0.0, 1.0)
            return at, steps[at] * share

        (i, before), (j, after) = place(a_s), place(b_s)
        grown: Floats = (total[j] - total[i]) + (after - before)
        return grown

    def mean_over(self, zones: list[Zone], passed: "Passages") -> Floats:
        """Mean temperature that each metre met in these passes together; NaN where any moment is unheard."""
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


@dataclass(frozen=True, slots=True)
class Passages:
    """When the middles of some whole metres were at each path position of interest, UTC s."""

    metres: Floats
    at: dict[float, Floats]

    @classmethod
    def of(cls, track: Track, counter_m: float, positions_m: Floats, metres: Floats) -> "Passages":
        """Look all positions up at once."""
        times = track.when((metres + 0.5 - counter_m) + positions_m[:, np.newaxis])
        return cls(metres, dict(zip(positions_m.tolist(), times, strict=True)))

    def dwell_s(self, zones: list[Zone]) -> Floats:
        """Time spent in all of these passes together; NaN where an entry was not witnessed."""
        return np.asarray(sum(self.at[z.end_m] - self.at[z.start_m] for z in zones))


def edges_m(zones: list[Zone]) -> Floats:
    """Path positions of both ends of each of these zones."""
    return np.array(sorted({edge for z in zones for edge in (z.start_m, z.end_m)}))
