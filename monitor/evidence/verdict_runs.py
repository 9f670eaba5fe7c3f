"""Consecutive metres of one verdict: a drum as runs, with others laid over them, and length by verdict."""

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
    """Runs (in order, each after the other) with others laid over as far as they reach; the worse verdict counts."""
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
