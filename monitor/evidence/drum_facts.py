"""Figures of a drum from its rows and findings: faults per km, mean wall, exposure in the spark tester."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from monitor.contract.config.line import Line
from monitor.contract.config.recipe import EventCheck, Recipe
from monitor.contract.record import Finding, FindingKind, Floats
from monitor.contract.units import convert
from monitor.physics.spark import exposure_s, fastest_m_per_s, needed_s
from monitor.physics.wall import rounded_mean_mm
from monitor.statistics.counts import Interval, rate_per_km


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultRate:
    """Events of one check on a length of cable."""

    stream: str
    check: str
    count: int
    per_km: float
    interval_per_km: Interval


def fault_rates(findings: Sequence[Finding], recipe: Recipe, length_m: float) -> list[FaultRate]:
    """Rate of each event check of the recipe with its exact 95 % interval; none for a drum without length."""
    if length_m <= 0:
        return []
    rates = []
    for check in recipe.event_check:
        count = sum(f.kind is FindingKind.FAULT and f.stream == check.stream for f in findings)
        per_km, interval = rate_per_km(count, length_m)
        rates.append(
            FaultRate(stream=check.stream, check=check.name, count=count, per_km=per_km, interval_per_km=interval)
        )
    return rates


@dataclass(frozen=True, slots=True)
class WallFromOutside:
    """Mean wall by outer diameter and nominal conductor; an outer gauge cannot measure eccentricity."""

    mean_mm: Decimal
    needed_mm: float


def wall_from_outside(rows: Mapping[str, Floats], recipe: Recipe) -> WallFromOutside | None:
    """Mean wall of a drum, rounded as IEC 60227-2 rounds; None where no diameter window's stream was seen."""
    conductor_mm = recipe.geometry.inside_mm
    gauges = [w for w in recipe.window if w.stream.split("/")[1].startswith("diameter")]
    around = [(w.stream, w.unit) for w in gauges if w.verdict_of("LOLO") == "nonconforming"]
    seen = [convert(rows[p], unit, "mm") for p, unit in around if p in rows and not np.isnan(rows[p]).all()]
    if not seen:
        return None
    diameter_mm = float(np.mean([np.nanmean(column) for column in seen]))
    return WallFromOutside(rounded_mean_mm([round((diameter_mm - conductor_mm) / 2, 4)]), recipe.geometry.wall_mm)


def spark_exposure_s(rows: Mapping[str, Floats], line: Line, station: str) -> float | None:
    """Shortest time that any metre spent in an electrode, by the speed at which it passed; None where not known."""
    electrode_m, speed = _electrode_m(line, station), rows.get(line.counter.speed)
    if electrode_m is None or speed is None or np.isnan(speed).all():
        return None
    fastest = max(convert(float(np.nanmax(speed)), line.speed_unit, "m/s"), 0.0)
    return exposure_s(electrode_m, fastest)


@dataclass(frozen=True, slots=True)
class RequiredExposure:
    """What the rule that a recipe names requires of a spark tester, and up to which line speed the tester gives it."""

    rule: str
    needed_s: float
    fastest_m_per_s: float


def required_exposure(check: EventCheck, line: Line) -> RequiredExposure | None:
    """None where the recipe names no rule, or the line's file no length of the electrode."""
    electrode_m = _electrode_m(line, check.stream.split("/")[0])
    if check.exposure is None or electrode_m is None:
        return None
    needed = needed_s(check.exposure.rule, check.exposure.frequency_Hz)
    return RequiredExposure(check.exposure.rule, needed, fastest_m_per_s(electrode_m, needed))


def _electrode_m(line: Line, station: str) -> float | None:
    electrode = line.stations.get(station)
    return None if electrode is None or electrode.end_m is None else electrode.end_m - electrode.position_m
