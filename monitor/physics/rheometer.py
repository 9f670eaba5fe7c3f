"""Evaluation of rheometer data: the fitted Arrhenius time, and the time to 90 % from a cure curve."""

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from monitor.physics.kinetics import ZERO_C_K, Floats, R_J_molK, Rate


@dataclass(frozen=True, slots=True, kw_only=True)
class RateFit:
    """An Arrhenius time fitted to rows of (temperature, time), with its uncertainty.

    `scatter_percent` is the residual standard deviation of the times; 95 % intervals are Student's, infinite for two
    rows; `range_C` is where the rows lie: the fit says nothing outside it.
    """

    rate: Rate
    rows: int
    time_95_s: tuple[float, float]
    activation_95_J_mol: tuple[float, float]
    scatter_percent: float
    range_C: tuple[float, float]
    words: str


def fit_rate(T_C: Floats, time_s: Floats) -> RateFit:
    """Straight line through ln(time) over 1/T of rheometer rows (m,), m >= 2 and at least two temperatures.

    The reference is the mean of 1/T, where time and activation energy are independent. ValueError says what is wrong.
    """
    T_C, time_s = np.asarray(T_C, dtype=float), np.asarray(time_s, dtype=float)
    if T_C.shape != time_s.shape or T_C.ndim != 1:
        raise ValueError(f"expected as many times as temperatures, got {T_C.shape} and {time_s.shape}")
    if not (np.isfinite(T_C).all() and np.isfinite(time_s).all() and (time_s > 0).all() and (T_C > -ZERO_C_K).all()):
        raise ValueError("expected finite temperatures above absolute zero and times > 0 s; take the bad rows out")
    if len(np.unique(T_C)) < 2:
        raise ValueError("expected rows at two temperatures or more: one temperature does not determine the slope")
    x = 1 / (T_C + ZERO_C_K)
    middle = x.mean()
    E, c = np.polyfit(x - middle, np.log(time_s), 1)
    rest = np.log(time_s) - (c + E * (x - middle))
    free = len(x) - 2
    s = float(np.sqrt(rest @ rest / free)) if free else float("inf")
    wide = float(stdtrit(free, 0.975)) * s if free else float("inf")
    half_E = wide / float(np.sqrt(np.sum((x - middle) ** 2))) * R_J_molK
    half_c = wide / float(np.sqrt(len(x)))
    rate = Rate(float(np.exp(c)), float(1 / middle - ZERO_C_K), float(E * R_J_molK))
    between = (float(np.exp(c - half_c)), float(np.exp(min(c + half_c, 700.0))))
    about = (rate.activation_J_mol - half_E, rate.activation_J_mol + half_E)
    span = (float(T_C.min()), float(T_C.max()))
    scatter = 100 * s if free else float("nan")
    return RateFit(
        rate=rate,
        rows=len(x),
        time_95_s=between,
        activation_95_J_mol=about,
        scatter_percent=scatter,
        range_C=span,
        words=_words(rate, len(x), about, scatter, span),
    )


def _words(rate: Rate, rows: int, about: tuple[float, float], scatter: float, span: tuple[float, float]) -> str:
    text = f"{rows} rows from {span[0]:g} to {span[1]:g} degC: Ea {rate.activation_J_mol / 1e3:.1f} kJ/mol"
    if rows == 2:
        return text + "; two rows fit any line, so its error is unknown: measure a third temperature"
    half = (about[1] - about[0]) / 2e3
    text += f" +- {half:.1f} (95 %), times scatter by {scatter:.1f} %"
    if half * 1e3 > 0.15 * abs(rate.activation_J_mol):
        text += "; Ea is poorly determined: add temperatures further apart"
    if rate.activation_J_mol <= 0:
        text += "; an Ea that is not positive is no cure: check the rows"
    return text + f"; outside {span[0]:g}..{span[1]:g} degC it is extrapolation"


def time_to(fraction: float, t_s: Floats, torque: Floats, lowest: float | None = None) -> float:
    """t'x [s] of a cure curve (ISO 6502, ASTM D5289): first time at ML + x (MH - ML), after the lowest torque.

    `t_s` (m,) rises, `torque` (m,) in any unit, `lowest` replaces ML. NaN where the curve never gets there.
    """
    t_s, torque = np.asarray(t_s, dtype=float), np.asarray(torque, dtype=float)
    if not 0 < fraction <= 1 or len(t_s) != len(torque) or len(t_s) < 2 or (np.diff(t_s) < 0).any():
        raise ValueError(f"expected a fraction in 0..1 and two or more rows with times that rise, got {fraction}")
    first = int(np.argmin(torque))
    low = float(torque[first]) if lowest is None else lowest
    target = low + fraction * (float(torque[first:].max()) - low)
    reached = np.flatnonzero(torque[first:] >= target)
    if not len(reached):
        return float("nan")
    i = first + int(reached[0])
    if i == first or torque[i] == torque[i - 1]:
        return float(t_s[i])
    return float(t_s[i - 1] + (target - torque[i - 1]) / (torque[i] - torque[i - 1]) * (t_s[i] - t_s[i - 1]))
