"""Thickness of insulation and sheath as cable standards evaluate it: decimal rounding, mean and thinnest place."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

Reading = str | Decimal | float


def rounded_mean_mm(readings_mm: Sequence[Reading]) -> Decimal:
    """Mean of the readings to 0.01 mm, then to 0.1 mm, a second decimal of 5 or more going up.

    Source: IEC 60227-2:2003, 1.9 (three samples, six readings each: 18 values). Decimal, because a binary 1.75 or a
    half-to-even rule gives 1.7. Raises ValueError without readings.
    """
    if not readings_mm:
        raise ValueError("expected thickness readings (18 by IEC 60227-2), got none")
    exact = [Decimal(str(r)) for r in readings_mm]
    hundredths = (sum(exact, Decimal(0)) / len(exact)).quantize(Decimal("0.01"), ROUND_HALF_UP)
    return hundredths.quantize(Decimal("0.1"), ROUND_HALF_UP)


def thinnest_allowed_mm(specified_mm: Reading, layer: str) -> Decimal:
    """Least thickness allowed at any place: 0.9 of specified less 0.1 mm for insulation, 0.85 less 0.1 for a sheath.

    Recalled from the IEC 60227 / 60245 / 60502 family, not seen in a text: confirm against the standard you certify to.
    """
    share = {"insulation": Decimal("0.9"), "sheath": Decimal("0.85")}[layer]
    return share * Decimal(str(specified_mm)) - Decimal("0.1")


@dataclass(frozen=True, slots=True)
class WallVerdict:
    """A wall against its specification."""

    mean_mm: Decimal
    thinnest_mm: Decimal
    mean_ok: bool
    thinnest_ok: bool


def judge_wall(readings_mm: Sequence[Reading], specified_mm: Reading, layer: str) -> WallVerdict:
    """Evaluate readings against a specified thickness for `layer` "insulation" or "sheath"."""
    mean = rounded_mean_mm(readings_mm)
    thinnest = min(Decimal(str(r)) for r in readings_mm)
    mean_ok = mean >= Decimal(str(specified_mm))
    return WallVerdict(mean, thinnest, mean_ok, thinnest >= thinnest_allowed_mm(specified_mm, layer))
