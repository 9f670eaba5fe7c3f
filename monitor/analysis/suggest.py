"""Suggest a deadband and an on-delay for one limit: nuisance alarms against how late the real ones are detected.

An excursion is real if known bad cable overlaps it, or, where none is known, if it would last `real_after_s` without a
delay. An alarm that is raised for no real excursion is a nuisance.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.contract.config.base import LimitName
from monitor.contract.config.recipe import Window
from monitor.contract.number_format import exact, significant
from monitor.contract.record import Floats
from monitor.core.limit import Limit, Stretch
from monitor.core.stream import SIGN

BLOCK = 4096
DELAYS_S = (0.0, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0)
DEADBANDS = (0.0, 0.5, 1.0, 2.0, 4.0)  # in standard deviations of the signal's noise


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One deadband and on-delay: nuisance alarms, real excursions detected and missed, and their delays [s]."""

    deadband: float
    on_delay_s: float
    nuisance: int
    detected: int
    missed: int
    delay_median_s: float
    delay_worst_s: float


@dataclass(frozen=True, slots=True)
class Suggestion:
    """The chosen candidate (None where none is acceptable), all that were tried, and why."""

    chosen: Candidate | None
    tried: tuple[Candidate, ...]
    why: str


@dataclass(frozen=True, slots=True)
class Recorded:
    """Samples of one stream (n,): times [s], values without NaN, and whether the window applied."""

    t_s: Floats
    v: Floats
    open: NDArray[np.bool_]


def joined(parts: Sequence[Recorded]) -> Recorded:
    """Parts that follow each other, as one."""
    return Recorded(*(np.concatenate([getattr(p, name) for p in parts]) for name in ("t_s", "v", "open")))


def noise(v: Floats) -> float:
    """Standard deviation of the quick part of a signal, from the median of its steps (robust to excursions)."""
    if len(v) < 3:
        return 0.0
    return float(np.median(np.abs(np.diff(v)))) / 0.6745 / math.sqrt(2)


def extremes(v: Floats) -> tuple[Floats, Floats]:
    """Least and greatest value of each block of samples."""
    whole = len(v) // BLOCK * BLOCK
    blocks = v[:whole].reshape(-1, BLOCK)
    least, most = blocks.min(axis=1), blocks.max(axis=1)
    if whole < len(v):
        least, most = np.append(least, v[whole:].min()), np.append(most, v[whole:].max())
    return least, most


def that_matter(
    data: Recorded, at: float, sign: int, deadband: float, of: tuple[Floats, Floats] | None = None
) -> Recorded:
    """Samples in blocks where the value comes near the limit, and the edges of the quiet blocks between.

    `of` are the data's extremes, if they are known already.
    """
    return _kept(data, _near(of or extremes(data.v), at, sign, deadband))


def _near(of: tuple[Floats, Floats], at: float, sign: int, deadband: float) -> NDArray[np.bool_]:
    least, most = of
    near: NDArray[np.bool_] = (most if sign > 0 else -least) > sign * at - deadband
    return near


def _kept(data: Recorded, near: NDArray[np.bool_]) -> Recorded:
    """Blocks that are near and the one after each whole (an off-delay ends there), of the others both end samples."""
    n = len(data.v)
    near = near | np.concatenate(([False], near[:-1]))
    starts = np.arange(0, n, BLOCK)
    sizes = np.minimum(starts + BLOCK, n) - starts
    kept = np.where(near, sizes, np.minimum(sizes, 2))
    within = np.arange(kept.sum()) - np.repeat(np.cumsum(kept) - kept, kept)
    last = np.repeat(np.where(near, 1, sizes - 1), kept)  # of a quiet block the second that is kept is its last
    keep = np.repeat(starts, kept) + within * last
    return Recorded(data.t_s[keep], data.v[keep], data.open[keep])


def that_matter_to(data: Recorded, windows: Sequence[Window]) -> Recorded:
    """Samples in blocks that come near a limit of any of the windows, and the edges of the quiet blocks between."""
    least, most = extremes(data.v)
    near = np.zeros(len(least), dtype=bool)
    for window in windows:
        for name, at in window.limits.items():
            near |= _near((least, most), at, SIGN[name], window.deadband)
    return _kept(data, near)


@dataclass(frozen=True, slots=True)
class Raising:
    """One alarm of one limit, s: beyond it from `start`, raised at `raised`; back at `end`, returned at `returned`."""

    start: float
    raised: float
    end: float | None = None
    returned: float | None = None


def crossings(data: Recorded, limit: Limit) -> list[Raising]:
    """Each alarm of one limit; delays in seconds. `limit` is used up."""
    seq = np.zeros(len(data.v), dtype=np.int64)
    stretch = Stretch(t_s=data.t_s, v=data.v, L_m=np.zeros(len(seq)), known_s=data.t_s, seq=seq, open=data.open)
    found: list[Raising] = []
    for crossing in limit.feed(stretch, data.t_s, data.t_s):
        if crossing.raised:
            found.append(Raising(crossing.start.t_s, crossing.at.t_s))
        else:
            end = crossing.end.t_s if crossing.end else crossing.at.t_s
            found[-1] = replace(found[-1], end=end, returned=crossing.at.t_s)
    return found


def windows_alone(data: Recorded, window: Window) -> list[tuple[LimitName, Raising]]:
    """Each alarm of one window whose delays run in seconds, by limit, in order of raising.

    The same limits as in the engine, over the samples that matter: for spans of months. ValueError for delays in m.
    """
    if window.on_delay_m or window.off_delay_m:
        raise ValueError(f"{window.stream}: delays in m need the line's track; rehearse it with the whole line")
    found: list[tuple[LimitName, Raising]] = []
    of = extremes(data.v)
    for name, at in window.limits.items():
        near = that_matter(data, at, SIGN[name], window.deadband, of)
        limit = Limit(
            at=at,
            sign=SIGN[name],
            deadband=window.deadband,
            on_delay=window.on_delay_s or 0.0,
            off_delay=window.off_delay_s or 0.0,
        )
        found += [(name, one) for one in crossings(near, limit)]
    return sorted(found, key=lambda one: one[1].raised)


def tried(
    data: Recorded,
    at: float,
    sign: int,
    off_delay_s: float,
    deadbands: Sequence[float],
    real: Sequence[tuple[float, float]] | None = None,
    real_after_s: float = 30.0,
    delays_s: Sequence[float] = DELAYS_S,
) -> list[Candidate]:
    """Every deadband with every delay. `real` are known bad times [s]; without them long excursions are real."""
    data = that_matter(data, at, sign, max(deadbands))
    found = []
    for band in deadbands:
        every = crossings(data, Limit(at=at, sign=sign, deadband=band, on_delay=0.0, off_delay=off_delay_s))
        truly = _real(every, real, real_after_s, float(data.t_s[-1]) if len(data.t_s) else 0.0)
        for delay in delays_s:
            limit = Limit(at=at, sign=sign, deadband=band, on_delay=delay, off_delay=off_delay_s)
            raised = every if delay == 0.0 else crossings(data, limit)
            found.append(_candidate(band, delay, raised, truly))
    return found


def _real(
    every: list[Raising],
    real: Sequence[tuple[float, float]] | None,
    after_s: float,
    last_s: float,
) -> list[tuple[float, float]]:
    spans = [(r.start, last_s if r.end is None else r.end) for r in every]
    if real is None:
        return [(a, b) for a, b in spans if b - a >= after_s]
    return [(a, b) for a, b in spans if any(a <= end and b >= start for start, end in real)]


def _candidate(band: float, delay: float, raised: list[Raising], truly: list[tuple[float, float]]) -> Candidate:
    late, detected = [], set()
    nuisance = 0
    for one in raised:
        hit = next((i for i, (a, b) in enumerate(truly) if a <= one.raised <= b or a <= one.start <= b), None)
        if hit is None:
            nuisance += 1
        elif hit not in detected:
            detected.add(hit)
            late.append(one.raised - truly[hit][0])
    median, worst = (float(np.median(late)), max(late)) if late else (0.0, 0.0)
    return Candidate(
        deadband=band,
        on_delay_s=delay,
        nuisance=nuisance,
        detected=len(detected),
        missed=len(truly) - len(detected),
        delay_median_s=median,
        delay_worst_s=worst,
    )


def suggest(candidates: Sequence[Candidate], shifts: float, most_per_shift: float) -> Suggestion:
    """The fastest of those with few enough nuisance alarms and no missed excursion; ties to the smaller deadband."""
    quiet = [c for c in candidates if c.nuisance / shifts <= most_per_shift]
    fewest = min((c.missed for c in candidates), default=0)
    good = [c for c in quiet if c.missed == fewest]
    if not good:
        least = min(candidates, key=lambda c: (c.missed, c.nuisance), default=None)
        if least is None:
            return Suggestion(None, (), "No sample came near the limit: no basis for a suggestion.")
        why = (
            f"No deadband and delay tried keeps nuisance alarms to {exact(most_per_shift)} per shift without "
            f"missing more: the best that misses {least.missed} still has {significant(least.nuisance / shifts)} per "
            "shift. Review the limit itself, or check the instrument."
        )
        return Suggestion(None, tuple(candidates), why)
    best = min(good, key=lambda c: (c.delay_worst_s, c.delay_median_s, c.on_delay_s, c.deadband))
    plain = next(c for c in candidates if c.on_delay_s == 0.0 and c.deadband == min(x.deadband for x in candidates))
    why = (
        f"Without deadband and delay there are {significant(plain.nuisance / shifts)} nuisance alarms per shift. "
        f"With a deadband of {exact(best.deadband)} and an on-delay of {exact(best.on_delay_s)} s there are "
        f"{significant(best.nuisance / shifts)}, and {best.detected} real excursions are detected with a median "
        f"delay of {significant(best.delay_median_s)} s, at most {significant(best.delay_worst_s)} s"
        + (f"; {best.missed} are missed, as by every other choice." if best.missed else "; none is missed.")
    )
    return Suggestion(replace(best), tuple(candidates), why)
