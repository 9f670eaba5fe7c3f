"""The ribbon: a whole drum as one strip of runs of metres, and where each run stands between its two ends."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from monitor.contract.record import Verdict


@dataclass(frozen=True, slots=True)
class Run:
    """Consecutive metres of one verdict, in drum metres."""

    start_m: float
    end_m: float
    verdict: Verdict

    @property
    def length_m(self) -> float:
        return self.end_m - self.start_m


def runs(first_m: int, verdicts: NDArray[np.int8], drum_start_m: float, drum_end_m: float) -> list[Run]:
    """Runs of a drum from one verdict a whole line metre, the first and the last cut at the drum's own ends.

    `first_m`, `drum_start_m`, `drum_end_m` are line metres; the runs are in drum metres, 0 where the drum began.
    """
    if not len(verdicts):
        return []
    edges = np.concatenate(([0], np.flatnonzero(np.diff(verdicts)) + 1, [len(verdicts)]))
    found = []
    for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        start, end = max(first_m + a, drum_start_m), min(first_m + b, drum_end_m)
        if end > start:
            found.append(Run(start - drum_start_m, end - drum_start_m, Verdict(int(verdicts[a]))))
    return found


def laid_over(own: Sequence[Run], more: Sequence[Run]) -> list[Run]:
    """Runs (in order, each after the other) with others laid over as far as they reach; the graver verdict stands."""
    if not own or not more:
        return list(own)
    edges = sorted({e for run in (*own, *more) for e in (run.start_m, run.end_m)})
    found: list[Run] = []
    for a, b in pairwise(edges):
        here = [run.verdict for run in own if run.start_m <= a and b <= run.end_m]
        if here:
            found.append(Run(a, b, max(here + [m.verdict for m in more if m.start_m <= a and b <= m.end_m])))
    return joined(found)


def joined(of: Iterable[Run]) -> list[Run]:
    """Runs in order, those of one kind that touch made one."""
    found: list[Run] = []
    for run in of:
        if found and found[-1].verdict is run.verdict and found[-1].end_m == run.start_m:
            found[-1] = Run(found[-1].start_m, run.end_m, run.verdict)
        else:
            found.append(run)
    return found


def lengths_m(of: Iterable[Run]) -> dict[Verdict, float]:
    """Metres of each verdict; every verdict is named, 0 where there is none."""
    total = dict.fromkeys(Verdict, 0.0)
    for run in of:
        total[run.verdict] += run.length_m
    return total


def full_scale_m(wound_m: float, planned_m: float | None) -> float:
    """Length that a ribbon is drawn to: the plan while there is room for it, else what was wound."""
    return max(wound_m, planned_m or 0.0, 1.0)


def place_percent(start_m: float, end_m: float, scale_m: float) -> tuple[float, float]:
    """Left edge and width of a stretch on a strip of `scale_m`, in percent, never outside 0..100."""
    left = min(max(100.0 * start_m / scale_m, 0.0), 100.0)
    right = min(max(100.0 * end_m / scale_m, 0.0), 100.0)
    return left, max(right - left, 0.0)


def outer_m(drum_metre: float, length_m: float) -> float:
    """The same place counted from the outer end, the order in which the next process unwinds it."""
    return length_m - drum_metre


def packed(of: Sequence[Run]) -> list[list[float | int]]:
    """Runs for the wire: [start, end, verdict], metres to 0.1."""
    return [[round(r.start_m, 1), round(r.end_m, 1), int(r.verdict)] for r in of]
