"""Metres by verdict: how much of an interval conforms, from one verdict a whole line metre."""

import numpy as np
from numpy.typing import NDArray

from monitor.contract.record import Verdict


def metres_by_verdict(first: int, verdict: NDArray[np.int8], start_m: float, end_m: float) -> dict[str, float]:
    """Length of the interval by verdict word, as far as rows are known; those at its ends count as far as inside."""
    edges = np.clip(first + np.arange(len(verdict) + 1, dtype=np.float64), start_m, end_m)
    lengths = np.diff(edges)
    return {v.word: float(lengths[verdict == v].sum()) for v in Verdict}
