"""How the cable moves: speed in straight pieces, so that metres and the time of a metre are exact at any time."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from monitor.contract.record import Floats
from simulator.scenario import LATEST_S, LineScript


@dataclass(frozen=True, slots=True)
class StateFrom:
    """The line's state from `t_s` on."""

    t_s: float
    state: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Travel:
    """Speed and line metre at the counter over time, s from the start. Before the start the line ran evenly.

    `t_s`, `v_m_per_s` are the knots of one period, `S_m` the metres since the start at each.
    """

    t_s: Floats
    v_m_per_s: Floats
    S_m: Floats
    start_m: float
    before_m_per_s: float
    period_s: float | None
    turns: tuple[StateFrom, ...]

    def speed(self, t_s: Floats) -> Floats:
        """True speed, m/s."""
        _, local = self._local(t_s)
        return np.where(t_s < 0, self.before_m_per_s, np.interp(local, self.t_s, self.v_m_per_s))

    def acceleration(self, t_s: Floats) -> Floats:
        """True acceleration, m/s2."""
        _, local = self._local(t_s)
        slope = np.diff(self.v_m_per_s) / np.diff(self.t_s)
        return np.where(t_s < 0, 0.0, slope[self._piece(local)])

    def metres(self, t_s: Floats) -> Floats:
        """True line metre at the counter, m."""
        period, local = self._local(t_s)
        i = self._piece(local)
        dt = local - self.t_s[i]
        v0, a = self.v_m_per_s[i], (np.diff(self.v_m_per_s) / np.diff(self.t_s))[i]
        run = period * self.S_m[-1] + self.S_m[i] + dt * (v0 + 0.5 * a * dt)
        return self.start_m + np.where(t_s < 0, self.before_m_per_s * t_s, run)

    def when(self, L_m: Floats, last: bool = False) -> Floats:
        """Time at which the counter first (or last) is at these line metres, s; infinity where it never is."""
        x = np.asarray(L_m, dtype=np.float64) - self.start_m
        total = self.S_m[-1]
        repeats = self.period_s is not None and total > 0
        period = np.maximum(np.floor(x / total), 0.0) if repeats else np.zeros_like(x)
        rest = np.maximum(x - period * total, 0.0)
        i = np.searchsorted(self.S_m, rest, side="right" if last else "left") - 1
        i = np.clip(i, 0, len(self.S_m) - 2)
        t = period * (self.period_s or 0.0) + self.t_s[i] + self._within(i, rest - self.S_m[i])
        t = np.where((rest > total) & (not repeats), np.inf, t)
        return np.where(x < 0, x / self.before_m_per_s, t)

    def states(self, from_s: float, before_s: float) -> Iterator[StateFrom]:
        """Changes of the line's state in a time."""
        for period in self._periods(from_s, before_s):
            shift = period * (self.period_s or 0.0)
            for turn in self.turns:
                again = period > 0 and turn.t_s == 0
                if from_s <= turn.t_s + shift < before_s and not again:
                    yield StateFrom(turn.t_s + shift, turn.state, turn.reason)

    def state_code(self, t_s: Floats) -> Floats:
        """Index into the turns: which was the newest at each time."""
        _, local = self._local(np.maximum(t_s, 0.0))
        at = np.searchsorted([turn.t_s for turn in self.turns], local, side="right") - 1
        return np.asarray(at)

    def _within(self, i: Floats, rest: Floats) -> Floats:
        v0, v1 = self.v_m_per_s[i], self.v_m_per_s[i + 1]
        a = (v1 - v0) / (self.t_s[i + 1] - self.t_s[i])
        below = v0 + np.sqrt(np.maximum(v0 * v0 + 2.0 * a * rest, 0.0))
        return np.where(rest > 0, 2.0 * rest / np.where(below > 0, below, 1.0), 0.0)

    def _local(self, t_s: Floats) -> tuple[Floats, Floats]:
        t_s = np.asarray(t_s, dtype=np.float64)
        if self.period_s is None:
            return np.zeros_like(t_s), t_s
        period = np.floor(t_s / self.period_s)
        return period, t_s - period * self.period_s

    def _piece(self, local: Floats) -> Floats:
        return np.clip(np.searchsorted(self.t_s, local, side="right") - 1, 0, len(self.t_s) - 2)

    def _periods(self, from_s: float, before_s: float) -> range:
        if self.period_s is None:
            return range(1)
        return range(max(int(from_s // self.period_s), 0), int(before_s // self.period_s) + 1)


def travel(script: LineScript, repeat_s: float | None, usual_m_per_s: float) -> Travel:
    """The movement of a line's script; a line that starts at rest is taken to have come at the usual speed."""
    v0 = script.start_m_per_min / 60.0
    t, v, now = [0.0], [v0], v0
    turns = [StateFrom(0.0, "running" if v0 > 0 else "stopped", "")]
    for step in script.speed:
        to = step.to_m_per_min / 60.0
        end_s = step.at_s + step.over_s
        t += [step.at_s, end_s]
        v += [now, to]
        turns += [StateFrom(step.at_s, "ramping", step.reason)] if to != now else []
        turns += (
            [StateFrom(end_s, "running" if to > 0 else "stopped", step.reason if to == 0 else "")] if to != now else []
        )
        now = to
    t.append(repeat_s if repeat_s is not None else LATEST_S)
    v.append(now)
    t_s, places = np.unique(np.array(t), return_index=True)
    v_m_per_s = np.array(v)[places]
    S = np.concatenate(([0.0], np.cumsum(0.5 * (v_m_per_s[1:] + v_m_per_s[:-1]) * np.diff(t_s))))
    return Travel(
        t_s=t_s,
        v_m_per_s=v_m_per_s,
        S_m=S,
        start_m=script.line_metre_start_m,
        before_m_per_s=v0 or usual_m_per_s,
        period_s=repeat_s,
        turns=tuple(turns),
    )
