"""State of the line over time: the speed shows whether it moves, the reported machine state shows how."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.contract.record import Floats

STATES = ("stopped", "ramping", "running")
_MOVING, _STANDING = 1, -1


@dataclass(slots=True, kw_only=True)
class StateTimeline:
    """The line's state as steps in time, final up to `settle`'s argument.

    A line slower than `stopped_below` is stopped, whatever is reported; one that moves is `ramping` or `running` as
    reported, `ramping` while it is still reported stopped, `running` without any report. With a threshold of 0, as on
    a test bench, no speed shows movement, and the reported state alone counts.
    """

    stopped_below_m_per_s: float
    t_s: list[float] = field(default_factory=list)
    code: list[int] = field(default_factory=list)
    reason: list[str] = field(default_factory=list)
    _said: str | None = None
    _said_reason: str = ""
    _moving: bool = False
    _newest_move: int = _STANDING
    _waiting: list[tuple[float, int, str, str]] = field(default_factory=list)

    def begin(self, steps: Sequence[tuple[float, str, str]]) -> None:
        """Go on from steps on record: UTC s, state and reason, oldest first. For a timeline that has none."""
        self.t_s, self.code = [t_s for t_s, _, _ in steps], [STATES.index(state) for _, state, _ in steps]
        self.reason = [reason for _, _, reason in steps]
        self._moving = bool(steps) and steps[-1][1] != STATES[0]
        self._newest_move = _MOVING if self._moving else _STANDING

    def report(self, t_s: float, state: str, reason: str) -> None:
        """The state that the machine reports, in effect from `t_s`."""
        self._waiting.append((t_s, 1, state, reason))

    def add_speed(self, t_s: Floats, v_m_per_s: Floats) -> None:
        """Speed samples in order; a line that has stopped moves again only a fifth above the threshold."""
        mark = np.where(v_m_per_s >= 1.2 * self.stopped_below_m_per_s, _MOVING, 0)
        mark[v_m_per_s < self.stopped_below_m_per_s] = _STANDING
        known = np.flatnonzero(mark)
        steps = np.diff(mark[known], prepend=self._newest_move)
        for i in known[np.flatnonzero(steps)]:
            self._waiting.append((float(t_s[i]), 0, "moves" if mark[i] == _MOVING else "stands", ""))
        if len(known):
            self._newest_move = int(mark[known[-1]])

    def settle(self, upto_s: float) -> list[int]:
        """Apply what is in effect by `upto_s`; returns the places of new steps."""
        if not self._waiting:
            return []
        due = sorted(w for w in self._waiting if w[0] <= upto_s)
        self._waiting = [w for w in self._waiting if w[0] > upto_s]
        new = []
        for t, spoken, word, reason in due:
            if spoken:
                self._said, self._said_reason = word, reason
            else:
                self._moving = word == "moves"
            new += self._step(t)
        return new

    def at(self, t_s: Floats) -> NDArray[np.int64]:
        """Index into `STATES` at each time; stopped before anything is known."""
        if not self.t_s:
            return np.zeros(len(t_s), dtype=np.int64)
        at = np.searchsorted(self.t_s, t_s, side="right") - 1
        return np.where(at >= 0, np.array(self.code)[np.maximum(at, 0)], 0)

    @property
    def now(self) -> str:
        """The newest state."""
        return STATES[self.code[-1]] if self.code else "stopped"

    def forget_before(self, t_s: float) -> None:
        """Drop steps that no sample can need any more."""
        keep = max(int(np.searchsorted(self.t_s, t_s)) - 1, 0)
        if keep > 256:
            del self.t_s[:keep], self.code[:keep], self.reason[:keep]

    def _step(self, t: float) -> list[int]:
        code = self._code()
        if self.code and self.code[-1] == code:
            return []
        self.t_s.append(max(t, self.t_s[-1]) if self.t_s else t)
        self.code.append(code)
        self.reason.append(self._said_reason if self._said == STATES[code] else "")
        return [len(self.code) - 1]

    def _code(self) -> int:
        if self.stopped_below_m_per_s == 0.0:
            return STATES.index(self._said or "stopped")
        if not self._moving:
            return STATES.index("stopped")
        return STATES.index(
            self._said if self._said in ("ramping", "running") else "running" if self._said is None else "ramping"
        )
