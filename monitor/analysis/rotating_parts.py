"""Rotating parts of a line ranked by likelihood against a period; "none" is a valid result."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.contract.config.line import RotatingPart
from monitor.contract.number_format import significant

MARKS = (1, 2, 3, 4)  # marks per revolution: a part with k of them repeats k times per revolution
FAR = 3.0  # standard deviations beyond which a part does not explain a period


@dataclass(frozen=True, slots=True, kw_only=True)
class PartCandidate:
    """A part with the expected spacing `period`; `away` is its difference to the one found, in sigma of both."""

    part: RotatingPart
    marks: int
    period: float
    away: float
    weight: float

    @property
    def fits(self) -> bool:
        return abs(self.away) <= FAR


@dataclass(frozen=True, slots=True)
class PartRanking:
    """Candidates by weight, weights of all and of "none of these" adding to 1; `part` is the one named, or None."""

    candidates: tuple[PartCandidate, ...]
    none: float
    part: PartCandidate | None
    why: str


def turn(part: RotatingPart, clock: str, rpm: float | None = None) -> float | None:
    """One revolution of a part on a clock: metres of cable, or seconds for a part that turns by a drive's own speed."""
    if clock == "metres":
        return part.circumference_m
    if rpm and part.speed_stream:
        return 60.0 / (rpm * part.gear_ratio)
    return None


def rank(
    parts: Sequence[RotatingPart], period: float, low: float, high: float, clock: str = "metres",
    rpm: dict[str, float] | None = None, search: float = math.log(100.0),
) -> PartRanking:  # fmt: skip
    """Parts against a period and its 95 % interval. `search` is the ln of the searched range: where a stranger may lie.

    Prior: every part alike, k marks on it 1/k^2, and one more for "none of these", spread evenly over the logarithm.
    """
    measured = max((high - low) / (2 * 1.96), 1e-9 * period)
    likely: list[tuple[RotatingPart, int, float, float, float]] = []
    for part in parts:
        whole = turn(part, clock, (rpm or {}).get(part.speed_stream or ""))
        for marks in MARKS if whole else ():
            assert whole is not None
            at = whole / marks
            worn = part.wear_tolerance_percent / 100 * at / 2  # the tolerance as two standard deviations
            sigma = math.hypot(measured, worn)
            away = (period - at) / sigma
            density = math.exp(-0.5 * away**2) / (sigma * math.sqrt(2 * math.pi)) / marks**2
            likely.append((part, marks, at, away, density))
    stranger = 1 / (period * search)
    total = sum(x[-1] for x in likely) + stranger
    found = sorted(
        (
            PartCandidate(part=part, marks=marks, period=at, away=away, weight=density / total)
            for part, marks, at, away, density in likely
        ),
        key=lambda c: (-c.weight, abs(c.away)),
    )
    best = found[0] if found and found[0].fits and found[0].weight > 0.5 else None
    return PartRanking(tuple(found[:8]), stranger / total, best, _why(best, found, clock))


def _why(best: PartCandidate | None, found: list[PartCandidate], clock: str) -> str:
    unit = "m" if clock == "metres" else "s"
    if best is None:
        fits = [c for c in found if c.fits]
        if len(fits) > 1:
            names = ", ".join(c.part.title or c.part.name for c in fits[:3])
            return f"several parts fit and cannot be distinguished ({names})"
        if not found:
            return "no rotating part of this line is configured for this comparison"
        return f"none of the listed parts fits: nearest expected spacing {significant(found[0].period, 4)} {unit}"
    marks = "" if best.marks == 1 else f" with {best.marks} marks per revolution"
    return f"{best.part.title or best.part.name}{marks}: expected spacing {significant(best.period, 4)} {unit}"
