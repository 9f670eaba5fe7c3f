"""Periods in signals with missing samples: floating-mean Lomb-Scargle periodogram on a regular grid, by transforms."""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.contract.number_format import significant
from monitor.contract.record import Floats
from monitor.statistics.recurrence import ALPHA, NoPeriod, Rival

OVERSAMPLE = 4
SHORTEST = 64  # samples; with fewer nothing is reported


@dataclass(frozen=True, slots=True)
class Power:
    """Standard-normalised power (0 to 1) over frequencies, of n samples that were there."""

    frequency: Floats
    power: Floats
    n: int

    @property
    def period(self) -> Floats:
        return 1.0 / self.frequency


@dataclass(frozen=True, slots=True, kw_only=True)
class Wave:
    """A period in a signal with its interval, amplitude (half of peak to peak) and phase at the first sample, turns."""

    period: float
    low: float
    high: float
    amplitude: float
    phase: float
    false_alarm: float
    above_floor: float
    rivals: tuple[Rival, ...]


def lomb_scargle(values: ArrayLike, spacing: float, oversample: int = OVERSAMPLE, least: float | None = None) -> Power:
    """Power of values (n,) at a regular spacing, NaN where there are no data, for periods of at least `least`.

    Zechmeister and Kuerster 2009, equations 4 to 15, uniform weights: the model has a constant. Exact at every
    frequency of the grid, since holes are zeros of a regular series. ValueError for fewer than 5 samples.
    """
    y = np.asarray(values, dtype=np.float64)
    seen = np.isfinite(y)
    n = int(seen.sum())
    if n < 5:
        raise ValueError(f"expected at least 5 valid samples, got {n}")
    y = np.where(seen, y - y[seen].mean(), 0.0)
    size = 1 << math.ceil(math.log2(oversample * len(y)))
    last = size // 2 if least is None else min(size // 2, math.floor(size * spacing / least))
    w = np.fft.rfft(seen / n, size)
    wy = np.fft.rfft(y / n, size)
    i = np.arange(1, last + 1)
    C, S = w.real[i], -w.imag[i]
    twice = _at_twice(w, i, size)
    C2, S2 = twice.real, -twice.imag
    YC, YS = wy.real[i], -wy.imag[i]  # the mean is 0, so Y C and Y S are
    CC, SS, CS = (1 + C2) / 2 - C**2, (1 - C2) / 2 - S**2, S2 / 2 - C * S
    D = CC * SS - CS**2
    YY = float((y**2).sum() / n)
    with np.errstate(divide="ignore", invalid="ignore"):
        power = (SS * YC**2 + CC * YS**2 - 2 * CS * YC * YS) / (YY * D)
    power[~(D > 1e-12)] = 0.0
    return Power(i / (size * spacing), np.clip(power, 0.0, 1.0), n)


def _at_twice(w: NDArray[np.complex128], i: NDArray[np.int64], size: int) -> NDArray[np.complex128]:
    """The transform at twice each frequency; beyond the half it is the mirror's conjugate."""
    j = 2 * i
    over = j > size // 2
    found = w[np.where(over, size - j, j)]
    return np.where(over, np.conj(found), found)


def above_floor(p: Power, width: float = 0.25) -> Floats:
    """Power over the local floor: the median of the neighbours in frequency, scaled so that noise has mean 1.

    Wandering processes have more power at long periods; what counts is the excess over its neighbourhood.
    """
    f = p.frequency
    edges = np.unique(np.geomspace(1, len(f), max(8, int(np.log(len(f)) / width))).astype(int))
    middles, floors = [], []
    for a, b in pairwise(edges.tolist()):
        if b - a >= 1:
            middles.append(math.sqrt(f[a - 1] * f[b - 1]))
            floors.append(max(float(np.median(p.power[a - 1 : b])) / math.log(2), 1e-300))
    ratio: Floats = p.power / np.exp(np.interp(np.log(f), np.log(middles), np.log(floors)))
    return ratio


def find_wave(
    values: ArrayLike, spacing: float, least: float, most: float, alpha: float = ALPHA
) -> tuple[Wave | NoPeriod, Power | None]:
    """The longest period of a signal (n,) above its noise floor, or why none is named, and the power."""
    y = np.asarray(values, dtype=np.float64)
    if int(np.isfinite(y).sum()) < SHORTEST:
        return NoPeriod(f"only {int(np.isfinite(y).sum())} samples: at least {SHORTEST} are needed"), None
    most = min(most, len(y) * spacing / 4)
    least = max(least, 2.5 * spacing)
    if most <= least:
        return NoPeriod("the record is too short for the requested periods"), None
    p = lomb_scargle(y, spacing, least=least)
    ratio = above_floor(p)
    inside = (p.period >= least) & (p.period <= most)
    ratio = np.where(inside, ratio, 0.0)
    trials = max(float(inside.sum()) / OVERSAMPLE * 2, 1.0)
    best = int(np.argmax(ratio))
    chance = _chance(float(ratio[best]), trials)
    if chance > alpha:
        why = f"no peak above the noise floor: the best has a false-alarm probability of 1 in {significant(1 / chance)}"
        return NoPeriod(why, float(p.period[best]), chance), p
    place = _longest(ratio, best, trials, alpha)
    return _wave(y, spacing, p, ratio, place, trials), p


def _chance(ratio: float, trials: float) -> float:
    return -math.expm1(-min(trials * math.exp(-ratio), 700.0))


def _longest(ratio: Floats, best: int, trials: float, alpha: float) -> int:
    """Of the best and its multiples the longest that is above the floor by itself."""
    chosen = best
    for q in range(2, 7):
        at = round((best + 1) / q) - 1
        near = np.arange(max(at - 2, 0), at + 3)
        top = int(near[np.argmax(ratio[near])])
        peak = ratio[top] >= ratio[max(top - 6, 0) : top + 7].max()
        if at >= 1 and peak and _chance(float(ratio[top]), trials) < alpha:
            chosen = top
    return chosen


def _wave(y: Floats, spacing: float, p: Power, ratio: Floats, place: int, trials: float) -> Wave:
    seen = np.isfinite(y)
    t = np.flatnonzero(seen).astype(np.float64) * spacing
    v = y[seen] - y[seen].mean()
    f, amplitude, phase, residual = _fit(t, v, float(p.frequency[place]), float(p.frequency[0]))
    sigma = math.sqrt(6 / len(t)) * residual / (math.pi * max(float(np.ptp(t)), spacing) * max(amplitude, 1e-300))
    half = 1.96 * sigma
    order = np.argsort(ratio)[::-1][:2000]
    rivals: list[Rival] = []
    for i in order.tolist():
        apart = abs(p.frequency[i] - f) > 2 * OVERSAMPLE * p.frequency[0]
        new = all(abs(1 / r.period - p.frequency[i]) > 2 * OVERSAMPLE * p.frequency[0] for r in rivals)
        if apart and new and _chance(float(ratio[i]), trials) < 0.05:
            chance, relation = _chance(float(ratio[i]), trials), _relation(float(p.frequency[i]), f)
            rivals.append(Rival(float(p.period[i]), chance, relation))
        if len(rivals) == 6:
            break
    score = float(ratio[place])
    low, high = 1 / (f + half), 1 / max(f - half, 1e-12)
    return Wave(
        period=1 / f,
        low=low,
        high=high,
        amplitude=amplitude,
        phase=phase,
        false_alarm=_chance(score, trials),
        above_floor=score,
        rivals=tuple(rivals),
    )


def _relation(f: float, found: float) -> str:
    for k, name in ((2, "half"), (3, "third"), (4, "quarter"), (5, "fifth"), (6, "sixth")):
        if abs(f / found - k) < 0.01 * k:
            return f"its {name}"
        if abs(found / f - k) < 0.01 * k:
            return f"{k} times it"
    return "another"


def _fit(t: Floats, v: Floats, f: float, step: float) -> tuple[float, float, float, float]:
    """Least squares of a sine about a frequency: (frequency, amplitude, phase in turns, residual deviation)."""
    best = (math.inf, f, np.zeros(3))
    width = step
    for _ in range(3):
        for g in best[1] + np.linspace(-width, width, 21):
            A = np.column_stack((np.cos(2 * np.pi * g * t), np.sin(2 * np.pi * g * t), np.ones(len(t))))
            solved = np.linalg.solve(A.T @ A, A.T @ v)
            rest = float(((v - A @ solved) ** 2).sum())
            if rest < best[0]:
                best = (rest, float(g), solved)
        width /= 10
    a, b, _ = best[2]
    freedom = max(len(t) - 4, 1)
    return best[1], float(math.hypot(a, b)), float(math.atan2(a, b) / (2 * math.pi) % 1.0), math.sqrt(best[0] / freedom)
