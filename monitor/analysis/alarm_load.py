"""Alarm rate, peaks, floods, and the most frequent alarms (ISA-18.2).

Figures as ISA-18.2, IEC 62682 and EEMUA 191 name them; every threshold is configuration (`[alarm_figures]`).
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from monitor.analysis.activations import Activation
from monitor.contract.config.works import AlarmFigureSettings
from monitor.contract.record import SILENCE_ALARM, Floats


@dataclass(frozen=True, slots=True)
class Flood:
    """A flood: a time with more alarms than one operator can handle."""

    start_s: float
    end_s: float
    count: int


@dataclass(frozen=True, slots=True)
class Share:
    """An alarm and its share of the load."""

    alarm: str
    count: int
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmFigures:
    """Figures of a span; rates are per operator position and observed time. NaN where nothing was observed."""

    start_s: float
    end_s: float
    observed_s: float
    count: int
    per_window: float
    peak: int
    peak_s: float | None
    floods: tuple[Flood, ...]
    flood_share: float
    frequent: tuple[Share, ...]
    chattering: tuple[str, ...]
    fleeting: int
    stale: tuple[str, ...]
    priorities: dict[str, float]


def observed(
    recorded_s: Mapping[str, tuple[float, float]], raised: Sequence[Activation], start_s: float, end_s: float
) -> float:
    """Seconds of [start_s, end_s) in which at least one line was observed.

    `recorded_s`: by line, the first and the newest time on record (UTC s). While a line sends nothing at all it is not
    observed.
    """
    cuts: list[tuple[float, int]] = []
    for line, (first_s, newest_s) in recorded_s.items():
        silent = sorted(
            (r.t_s, np.inf if r.end_s is None else r.end_s)
            for r in raised
            if r.line == line and r.alarm == SILENCE_ALARM
        )
        begin_s, until_s = max(first_s, start_s), min(newest_s, end_s)
        for from_s, to_s in [*silent, (until_s, np.inf)]:
            if (stop_s := min(from_s, until_s)) > begin_s:
                cuts += [(begin_s, 1), (stop_s, -1)]
            begin_s = max(begin_s, to_s)
    total_s, lines, since_s = 0.0, 0, 0.0
    for t_s, step in sorted(cuts, key=lambda cut: (cut[0], -cut[1])):
        if lines:
            total_s += t_s - since_s
        lines, since_s = lines + step, t_s
    return total_s


def figures(
    raised: Sequence[Activation], start_s: float, end_s: float, s: AlarmFigureSettings, tops: int = 10,
    observed_s: float | None = None,
) -> AlarmFigures:  # fmt: skip
    """Figures of the activations in [start_s, end_s), of which `observed_s` were observed, the whole if None.

    Raises ValueError for an empty span. `stale` counts those that stood before the span as well.
    """
    if end_s <= start_s:
        raise ValueError(f"expected a span of time, got {start_s} to {end_s}")
    observed_s = end_s - start_s if observed_s is None else observed_s
    inside = [r for r in raised if start_s <= r.t_s < end_s]
    t = np.array(sorted(r.t_s for r in inside))
    peak, peak_s = _peak(t, s.window_s)
    found = floods(t, s, end_s)
    counts = Counter(f"{r.line}/{r.alarm}" for r in inside)
    tally = Counter(r.priority for r in inside)
    return AlarmFigures(
        start_s=start_s,
        end_s=end_s,
        observed_s=observed_s,
        count=len(inside),
        per_window=len(inside) / (observed_s / s.window_s) / s.operator_positions if observed_s > 0 else np.nan,
        peak=peak,
        peak_s=peak_s,
        floods=tuple(found),
        flood_share=sum(f.end_s - f.start_s for f in found) / observed_s if observed_s > 0 else np.nan,
        frequent=tuple(Share(name, n, n / len(inside)) for name, n in counts.most_common(tops)),
        chattering=tuple(sorted(_chattering(inside, s))),
        fleeting=sum(r.end_s is not None and r.end_s - r.t_s < s.fleeting_s for r in inside),
        stale=tuple(sorted({f"{r.line}/{r.alarm}" for r in raised if r.t_s < end_s and _stale(r, start_s, end_s, s)})),
        priorities={p: tally[p] / len(inside) if inside else 0.0 for p in ("low", "medium", "high")},
    )


def floods(t_s: Floats, s: AlarmFigureSettings, end_s: float) -> list[Flood]:
    """Floods of alarms at sorted times: from the alarm that makes the window full until it has emptied.

    The window slides: a flood begins when `flood_begins` alarms came within `window_s` (or more than that, where
    `flood_wants_more` is set) and ends when fewer than `flood_ends` did.
    """
    found: list[Flood] = []
    least = s.flood_begins + (1 if s.flood_wants_more else 0)
    begun: int | None = None
    for i in range(len(t_s)):
        first = int(np.searchsorted(t_s, t_s[i] - s.window_s, side="right"))
        if begun is not None and t_s[i] > (over := _empties(t_s, i, s)):
            found.append(Flood(float(t_s[begun]), over, _within(t_s, t_s[begun], over)))
            begun = None
        if begun is None and i - first + 1 >= least:
            begun = i
    if begun is not None:
        over = min(_empties(t_s, len(t_s), s), end_s)
        found.append(Flood(float(t_s[begun]), over, _within(t_s, t_s[begun], over)))
    return found


def _empties(t_s: Floats, before: int, s: AlarmFigureSettings) -> float:
    """When fewer than `flood_ends` alarms are left in the window, if none comes from place `before` on."""
    return float(t_s[max(before - s.flood_ends, 0)]) + s.window_s


def _within(t_s: Floats, start_s: float, end_s: float) -> int:
    return int(np.searchsorted(t_s, end_s, side="right") - np.searchsorted(t_s, start_s, side="left"))


def _peak(t_s: Floats, window_s: float) -> tuple[int, float | None]:
    """Most alarms in any window, and when it was full."""
    if not len(t_s):
        return 0, None
    counts = np.arange(1, len(t_s) + 1) - np.searchsorted(t_s, t_s - window_s, side="right")
    at = int(np.argmax(counts))
    return int(counts[at]), float(t_s[at])


def _chattering(raised: Sequence[Activation], s: AlarmFigureSettings) -> set[str]:
    times: dict[str, list[float]] = {}
    for r in raised:
        times.setdefault(f"{r.line}/{r.alarm}", []).append(r.t_s)
    return {name for name, t in times.items() if _peak(np.array(sorted(t)), s.chatter_s)[0] >= s.chatter_count}


def _stale(r: Activation, start_s: float, end_s: float, s: AlarmFigureSettings) -> bool:
    upto = end_s if r.end_s is None else min(r.end_s, end_s)
    return upto > start_s and upto - r.t_s > s.stale_h * 3600
