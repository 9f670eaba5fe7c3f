"""Conditions before a fault: averages process data before faulty metres, against the same pattern elsewhere."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from monitor.contract.record import Floats

REACH = 60
DRAWS = 999


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamDifference:
    """One stream: mean of faulty metres less that elsewhere by offset (k,), in deviations of such means.

    `chance` is corrected for all streams and offsets; `offset_m` is where it was largest, before 0 earlier in the drum.
    """

    stream: str
    offsets_m: Floats
    z: Floats
    offset_m: float
    largest: float
    chance: float


def preceding_conditions(
    columns: Mapping[str, Floats], faults: Sequence[int], reach: int = REACH, seed: int = 1, draws: int = DRAWS
) -> list[StreamDifference]:
    """Compare around `faults` (places in the columns, which are per metre) with the same pattern moved along the cable.

    Clustered faults stay together when they are moved, so that a slow change is not taken for a cause. Of all
    streams and offsets the largest difference counts in each draw (Westfall and Young 1993). Streams that never vary
    are left out. ValueError with too few faults or too little cable.
    """
    names = [n for n, v in columns.items() if np.isfinite(v).mean() > 0.5 and np.nanstd(v) > 0]
    size = len(next(iter(columns.values()))) if columns else 0
    at = np.array([f for f in faults if reach <= f < size - reach], dtype=np.int64)
    if len(at) < 3:
        raise ValueError(f"only {len(at)} faults lie far enough from the ends to look around: at least 3 are needed")
    room = size - 2 * reach
    if room < 10 * reach:
        raise ValueError(f"only {size} metres: too little clean cable beside the faults to compare with")
    offsets = np.arange(-reach, reach + 1)
    smooth = {n: _standard(columns[n]) for n in names}
    rng = np.random.default_rng(seed)
    moved = rng.integers(reach, room - reach, size=(draws, 1))
    drawn = (at - reach + moved) % room + reach
    most = np.zeros(draws)
    real: dict[str, Floats] = {}
    for n in names:
        v = smooth[n]
        null = np.stack([v[drawn + o].mean(axis=1) for o in offsets])
        spread = null.std(axis=1) + 1e-12
        middle = null.mean(axis=1)
        most = np.maximum(most, np.abs((null - middle[:, None]) / spread[:, None]).max(axis=0))
        real[n] = (np.array([v[at + o].mean() for o in offsets]) - middle) / spread
    found = []
    for n in names:
        peak = int(np.argmax(np.abs(real[n])))
        largest = float(real[n][peak])
        chance = (1 + int((most >= abs(largest)).sum())) / (draws + 1)
        found.append(
            StreamDifference(
                stream=n,
                offsets_m=offsets.astype(np.float64),
                z=real[n],
                offset_m=float(offsets[peak]),
                largest=largest,
                chance=chance,
            )
        )
    return sorted(found, key=lambda d: (d.chance, -abs(d.largest)))


def _standard(v: Floats) -> Floats:
    """In robust deviations about the median; metres without data are as the median."""
    middle = np.nanmedian(v)
    scale = 1.4826 * np.nanmedian(np.abs(v - middle)) or np.nanstd(v) or 1.0
    out: Floats = np.clip(np.nan_to_num((v - middle) / scale), -50, 50)
    return out
