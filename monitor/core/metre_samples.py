"""Samples of one gauge, gathered by whole metre of cable."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.contract.record import Floats


@dataclass(slots=True, kw_only=True)
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
        if cell[0] < 0:  # already emitted
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
        starts = changes(cell).nonzero()[0]
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
        if first < self.base:  # the gauge began to send later than the line began to run
            early = min(self.base - first, count)
            rest = self.take(first + early, count - early, passed_s[early:])
            mean, least, most = (np.concatenate((np.full(early, np.nan), part)) for part in rest)
            return mean, least, most
        self._skip(first - self.base)
        self._reach(count)
        n = self.count[:count]
        own = n > 0
        if own.all():
            mean, least, most = self.total[:count] / n, self.least[:count].copy(), self.most[:count].copy()
            self.held, self.heard_s = float(self.newest[count - 1]), float(self.newest_s[count - 1])
            self._drop(count)
            return mean, least, most
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
        """Forget metres that no row needed; those that follow may still hold the newest sample of them."""
        if count <= 0:
            return
        spoken = np.flatnonzero(self.count[:count])
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
        assert self.base is not None
        self.base += count
        for name in _BLANK:
            setattr(self, name, getattr(self, name)[count:])


def changes(values: NDArray[np.int64] | NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where a value is another than the one before it; the first is."""
    found = np.ones(len(values), dtype=np.bool_)
    np.not_equal(values[1:], values[:-1], out=found[1:])
    return found


_BLANK = {"count": 0.0, "total": 0.0, "least": np.inf, "most": -np.inf, "newest": np.nan, "newest_s": -np.inf}
