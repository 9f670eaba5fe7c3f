"""Derived streams: lay length and tape overlap, from a rotation and the line's movement."""

import numpy as np

from monitor.contract.config.line import Derived
from monitor.contract.config.recipe import Tape
from monitor.contract.record import Floats
from monitor.core.track import Track
from monitor.physics.winding import lay_mm, tape_overlap

OVER_S = 1.0  # span before a sample over which the line's speed is taken


def derived(rule: Derived, tape: Tape | None, rpm: Floats, m_per_min: Floats) -> Floats:
    """Values of a derived stream, mm or %; NaN where nothing moves or turns, or where the tape is not known."""
    out = np.full(len(rpm), np.nan)
    turns = (rpm > 0) & (m_per_min > 0)
    with np.errstate(over="ignore"):
        turns[turns] = np.isfinite(m_per_min[turns] / rpm[turns] * 1000)  # a denormal speed turns nothing
    pitch_mm = lay_mm(m_per_min[turns], rpm[turns], rule.twists_per_turn)
    if rule.rule == "lay length":
        out[turns] = pitch_mm
    elif tape is not None:
        out[turns] = 100 * tape_overlap(tape.on_diameter_mm, tape.width_mm, pitch_mm)
    return out


def moved_m_per_min(track: Track, t_s: Floats) -> Floats:
    """Mean speed over `OVER_S` before each time; NaN where the track does not reach back so far."""
    before = t_s - OVER_S
    moved = (track.at(t_s) - track.at(before)) * (60.0 / OVER_S)
    return np.where(before >= track.t_s[0], moved, np.nan)


def by_speed_m_per_min(speed_s: Floats, m_per_min: Floats, t_s: Floats) -> Floats:
    """The same from samples of the line's speed; NaN where they do not reach."""
    if len(speed_s) < 2:
        return np.full(len(t_s), np.nan)
    steps = 0.5 * (m_per_min[1:] + m_per_min[:-1]) * np.diff(speed_s)
    run = np.concatenate(([0.0], np.cumsum(steps)))
    ends = (np.interp(at, speed_s, run, left=np.nan, right=np.nan) for at in (t_s, t_s - OVER_S))
    return np.asarray(np.subtract(*ends) / OVER_S)
