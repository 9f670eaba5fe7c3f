"""The ribbon: a whole drum as one strip of runs of metres, and the place of each run between its two ends."""

from collections.abc import Sequence

from monitor.evidence.verdict_runs import Run


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
