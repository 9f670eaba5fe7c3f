"""Detects missing and frozen signals."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.contract.record import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """`begins` or ends at `t_s`; known when the record had come to `known_s`.

    It counts since `since_s`, the last sample or the last change, with the counter at `since_m`.
    """

    begins: bool
    t_s: float
    since_s: float
    since_m: float
    known_s: float
    seq: int


@dataclass(slots=True, kw_only=True)
class Missing:
    """Raised when a stream has sent nothing for more than `after_s`, whether or not it sends again.

    A sample at the very end of that time is none too late: it may come after the record has come to that moment.
    """

    after_s: float
    last_s: float
    last_m: float  # of the counter, then
    last_known_s: float = -np.inf
    last_seq: int = -1
    silent: bool = False

    def wait(self, upto_s: float) -> list[Silence]:
        """The record has come to `upto_s` and the stream has sent nothing more."""
        if self.silent or upto_s - self.last_s <= self.after_s:
            return []
        self.silent = True
        return [self._begun(self.last_s, self.last_m, self.last_known_s, self.last_seq)]

    def _begun(self, since_s: float, since_m: float, known_s: float, seq: int) -> Silence:
        """The silence after a sample. It is not known before the sample is, which may have come late."""
        due = since_s + self.after_s
        if known_s < due:
            known_s, seq = due, -1
        return Silence(begins=True, t_s=due, since_s=since_s, since_m=since_m, known_s=known_s, seq=seq)

    def receive(self, t_s: Floats, L_m: Floats, known_s: Floats, seq: NDArray[np.int64]) -> list[Silence]:
        """Samples in order with the counter at each, NaN left out beforehand: a sample of bad quality is silence.

        A message that came after waiting for it was over ends a silence, even if its stamps leave no hole.
        """
        if not self.silent and known_s[-1] - min(self.last_s, t_s[0]) <= self.after_s:  # no hole can be longer
            self._keep(t_s, L_m, known_s, seq)
            return []
        before = np.concatenate(([self.last_s], t_s[:-1]))
        came = np.where(np.diff(seq, prepend=-1) != 0, known_s, t_s)
        ends = np.flatnonzero(came - before > self.after_s).tolist()
        if self.silent and ends[:1] != [0]:
            ends.insert(0, 0)
        out: list[Silence] = []
        for i in ends:
            begun = (
                self._begun(float(t_s[i - 1]), float(L_m[i - 1]), float(known_s[i - 1]), int(seq[i - 1]))
                if i
                else self._begun(self.last_s, self.last_m, self.last_known_s, self.last_seq)
            )
            if not self.silent:
                out.append(begun)
            self.silent = False
            ended_s, known = max(float(t_s[i]), begun.t_s), max(float(known_s[i]), begun.known_s)
            out.append(replace(begun, begins=False, t_s=ended_s, known_s=known, seq=int(seq[i])))
        self._keep(t_s, L_m, known_s, seq)
        return out

    def _keep(self, t_s: Floats, L_m: Floats, known_s: Floats, seq: NDArray[np.int64]) -> None:
        self.last_s, self.last_m = float(t_s[-1]), float(L_m[-1])
        self.last_known_s, self.last_seq = float(known_s[-1]), int(seq[-1])


@dataclass(slots=True, kw_only=True)
class Stuck:
    """Raised when a value has not changed at all for `after_s` while the line moves; a silence restarts it."""

    after_s: float
    value: float = np.nan
    heard_s: float = np.nan
    since_s: float = np.nan
    since_m: float = np.nan  # of the counter, then
    stuck: bool = False

    def receive(
        self, t_s: Floats, v: Floats, moving: NDArray[np.bool_], L_m: Floats, known_s: Floats, seq: NDArray[np.int64]
    ) -> list[Silence]:
        """Samples in order with the counter at each, without NaN."""
        fresh = np.empty(len(v), dtype=bool)
        fresh[0] = v[0] != self.value
        np.not_equal(v[1:], v[:-1], out=fresh[1:])
        fresh |= ~moving | (np.diff(t_s, prepend=self.heard_s) >= self.after_s)
        self.value, self.heard_s = float(v[-1]), float(t_s[-1])
        if not self.stuck and fresh.all():  # as nearly always
            self.since_s, self.since_m = float(t_s[-1]), float(L_m[-1])
            return []
        at = np.maximum.accumulate(np.where(fresh, np.arange(1, len(v) + 1), 0))  # 0: since before these samples
        since_s, since_m = np.concatenate(([self.since_s], t_s))[at], np.concatenate(([self.since_m], L_m))[at]
        long = t_s - since_s >= self.after_s
        out: list[Silence] = []
        for i in np.flatnonzero(np.diff(long, prepend=self.stuck)).tolist():
            if long[i] or i:
                j = i if long[i] else i - 1
                begun_s, begun_m = float(since_s[j]), float(since_m[j])
            else:
                begun_s, begun_m = self.since_s, self.since_m
            out.append(
                Silence(
                    begins=bool(long[i]), t_s=float(t_s[i]), since_s=begun_s, since_m=begun_m,
                    known_s=float(known_s[i]), seq=int(seq[i]),
                )
            )  # fmt: skip
        self.since_s, self.since_m, self.stuck = float(since_s[-1]), float(since_m[-1]), bool(long[-1])
        return out
