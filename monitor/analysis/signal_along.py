"""A stream along the cable: its samples on a regular grid of metres, by the engine's own track of the line metre."""

import numpy as np

from monitor.contract.config.line import Line
from monitor.contract.reading import Trend
from monitor.contract.record import Floats
from monitor.contract.units import convert
from monitor.core.track import Track


def along(line: Line, of: Trend, counter: Trend, speed: Trend, spacing_m: float) -> tuple[Floats, Floats]:
    """Places (n,) from where the counter's record begins, m, and mean values there, NaN where nothing was seen.

    Counter and speed as recorded; wraps, resets and slips are bridged as the engine bridges them. Empty where there is
    too little of either.
    """
    good = np.isfinite(of.v)
    if len(counter.v) < 2 or not good.any():
        return np.empty(0), np.empty(0)
    track = Track.of(line)
    track.add_speed(speed.t_ms / 1e3, convert(speed.v, line.speed_unit, "m/s"))
    track.add_counter(counter.t_ms / 1e3, counter.v)
    if not len(track.t_s):
        return np.empty(0), np.empty(0)
    x = track.at(of.t_ms[good] / 1e3) - track.L_m[0]
    cell = (x / spacing_m).astype(np.int64)
    size = int(cell.max()) + 1
    counts = np.bincount(cell, minlength=size)
    with np.errstate(invalid="ignore", divide="ignore"):
        v = np.bincount(cell, of.v[good], minlength=size) / counts
    return (np.arange(size, dtype=np.float64) + 0.5) * spacing_m, np.asarray(v, dtype=np.float64)
