"""Detects missing and frozen signals."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.contract.record import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """`begins` or ends at `t_s`; known when the record had come to `known_s`; the last word was at `since_s`."""

    begins: bool
    t_s: float
    since_s: float
    known_s: float
    seq: int


@dataclass(slots=True)
class Missing:
    """Raised when a stream has sent nothing for more than `after_s`, whether or not it sends again.

    A sample at the very end of that time is none too late: it may come after the record has come to that moment.
    """

    after_s: float
    last_s: float
    silent: bool = False

    def wait(self, upto_s: float, seq: int) -> list[Silence]:
        """The record has come to `upto_s` and the stream has sent nothing more."""
        due = self.last_s + self.after_s
        if self.silent or upto_s - self.last_s <= self.after_s:
            return []
        self.silent = True
        return [Silence(begins=True, t_s=due, since_s=self.last_s, known_s=due, seq=seq)]

    def receive(self, t_s: Floats, known_s: Floats, seq: NDArray[np.int64]) -> list[Silence]:
        """Samples in order, NaN left out beforehand: a sample of bad quality is silence.

        A message that came after waiting for it was over ends a silence, even if its stamps leave no hole.
        """
        if not self.silent and known_s[-1] - min(self.last_s, t_s[0]) <= self.after_s:  # no hole can be longer
            self.last_s = float(t_s[-1])
            return []
        before = np.concatenate(([self.last_s], t_s[:-1]))
        came = np.where(np.diff(seq, prepend=-1) != 0, known_s, t_s)
        ends = np.flatnonzero(came - before > self.after_s).tolist()
        if self.silent and ends[:1] != [0]:
            ends.insert(0, 0)
        out: list[Silence] = []
        for i in ends:
            since, due = float(before[i]), float(before[i]) + self.after_s
            if not self.silent:
                out.append(Silence(begins=True, t_s=due, since_s=since, known_s=due, seq=int(seq[i])))
            self.silent = False
            out.append(
                Silence(
                    begins=False,
                    t_s=max(float(t_s[i]), due),
                    since_s=since,
                    known_s=max(float(known_s[i]), due),
                    seq=int(seq[i]),
                )
            )
        self.last_s = float(t_s[-1])
        return out


@dataclass(slots=True, kw_only=True)
class Stuck:
    """Raised when a value has not changed at all for `after_s` while the line moves; a silence restarts it."""

    after_s: float
    value: float = np.nan
    heard_s: float = np.nan
    since_s: float = np.nan
    stuck: bool = False

    def receive(
        self, t_s: Floats, v: Floats, moving: NDArray[np.bool_], known_s: Floats, seq: NDArray[np.int64]
    ) -> list[Silence]:
        """Samples in order, without NaN."""
        fresh = np.empty(len(v), dtype=bool)
        fresh[0] = v[0] != self.value
        np.not_equal(v[1:], v[:-1], out=fresh[1:])
        fresh |= ~moving | (np.diff(t_s, prepend=self.heard_s) >= self.after_s)
        since = np.where(fresh, t_s, -np.inf)
        if not fresh[0]:
            since[0] = self.since_s
        np.maximum.accumulate(since, out=since)
        long = t_s - since >= self.after_s
        out: list[Silence] = []
        was = self.stuck
        for i in np.flatnonzero(np.diff(long, prepend=was)):
            t = float(t_s[i])
            begun = float(since[i]) if long[i] else t
            out.append(Silence(begins=bool(long[i]), t_s=t, since_s=begun, known_s=float(known_s[i]), seq=int(seq[i])))
        self.value, self.heard_s = float(v[-1]), float(t_s[-1])
        self.since_s, self.stuck = float(since[-1]), bool(long[-1])
        return out
