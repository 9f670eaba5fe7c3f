"""Cure on request, not from the stream: a recipe's steady profile, other speeds and setpoints, a stop, a calibration.

The index moves by a factor of about 1.6 for 15 % of film coefficient, the surface temperature by some 10 K only: every
answer carries its band, and one pyrometer reading at a known place narrows it (`calibrate`).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.number_format import exact, fixed
from monitor.contract.record import Floats
from monitor.core.cure.forecast import room
from monitor.core.cure.plan import Plan, cable_of, limits_of, rate_of, way_of
from monitor.physics.cure import Cable, Cured, Profile, Speed, Way, cure, cure_each, profile
from monitor.physics.kinetics import Rate
from monitor.physics.margins import Margins
from monitor.physics.root import root

STRETCH_M = 1.0
FACTORS = (0.3, 3.0)  # a film coefficient farther off than this is not a matter of calibration


@dataclass(frozen=True, slots=True)
class Setting:
    """A line speed [m/min], temperatures [degC] by name of zone, and by how much the ovens' films are stronger."""

    speed_m_per_min: float
    zone_C: Mapping[str, float]
    film_factor: float = 1.0

    @property
    def speed_m_s(self) -> float:
        return self.speed_m_per_min / 60.0


def set_of(recipe: Recipe) -> Setting:
    """The recipe's setpoints."""
    return Setting(recipe.setpoints.speed_m_per_min, dict(recipe.setpoints.zone_C))


@dataclass(frozen=True, slots=True)
class Model:
    """One recipe on one line at one setting."""

    cable: Cable
    way: Way
    t90: Rate
    ageing: Rate

    @classmethod
    def of(cls, line: Line, recipe: Recipe, setting: Setting, sign: float = 0.0) -> "Model":
        """`sign` -1 or 1 takes the configured uncertainty of the films off or adds it. ValueError without a cure."""
        if recipe.cure is None:
            raise ValueError(f"recipe {recipe.recipe} has no [cure]: add it to compute its cure")
        way = stronger(way_of(line, dict(setting.zone_C), sign), setting.film_factor, ovens(line))
        return cls(cable_of(recipe), way, rate_of(recipe.cure.t90), rate_of(recipe.cure.degradation))

    def steady(self, speed_m_s: float) -> Cured:
        """One element at a constant speed."""
        return cure(self.cable, self.way, _constant(speed_m_s), 0.0, self.t90, self.ageing)

    def profile(self, speed_m_s: float, also_m: tuple[float, ...] = ()) -> Profile:
        """One element along its path at a constant speed."""
        return profile(self.cable, self.way, _constant(speed_m_s), 0.0, self.t90, self.ageing, also_m)


def ovens(line: Line) -> tuple[str, ...]:
    """Names of zones of hot air, each once, in the order of the path."""
    return tuple(dict.fromkeys(z.name for z in line.zone if z.medium == "air" and z.temperature))


def stronger(way: Way, factor: float, names: tuple[str, ...]) -> Way:
    """The route with the films of these zones times a factor; the others stay."""
    films = [z.film_W_m2K * (factor if z.name in names else 1.0) for z in way.zones]
    return replace(way, zones=tuple(replace(z, film_W_m2K=h) for z, h in zip(way.zones, films, strict=True)))


def _constant(speed_m_s: float) -> Speed:
    return Speed((0.0,), (speed_m_s,))


# ---- other speeds and setpoints --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingResult:
    """A steady line at one setting: cure at the take-up, its band by the films' uncertainty, profile and headroom."""

    setting: Setting
    leaves: Cured
    index_low: float
    index_high: float
    profile: Profile
    margins: Margins | None


def ask(line: Line, recipe: Recipe, setting: Setting) -> SettingResult:
    """The cure of a line in steady state. ValueError for a speed that is not above 0 or a recipe without cure."""
    v = setting.speed_m_s
    if not v > 0:
        raise ValueError(f"expected a line speed above 0 m/min, got {exact(setting.speed_m_per_min)}")
    model = Model.of(line, recipe, setting)
    ends = [Model.of(line, recipe, setting, sign).steady(v).index_inner for sign in (-1.0, 1.0)]
    plan = Plan.of(line, recipe)
    margins = None
    if plan is not None and setting.film_factor == 1.0:
        margins = room(line, plan, dict(setting.zone_C), v)
    return SettingResult(
        setting=setting,
        leaves=model.steady(v),
        index_low=min(ends),
        index_high=max(ends),
        profile=model.profile(v),
        margins=margins,
    )


def against_speed(line: Line, recipe: Recipe, setting: Setting, speeds_m_per_min: Floats) -> list[Cured]:
    """Cure at the take-up at each of these speeds (k,), temperatures as set."""
    model = Model.of(line, recipe, setting)
    return [model.steady(float(v) / 60.0) for v in speeds_m_per_min]


# ---- a stop --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PlannedStop:
    """The line slows evenly in `slows_s`, is stopped for `stop_s`, and is back at its speed in `restarts_s`."""

    slows_s: float
    stop_s: float
    restarts_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopped:
    """Cable by its position during the stop (k,), path m; its cure at the take-up, and which of it is scrap."""

    position_m: Floats
    index: Floats
    peak_C: Floats
    degradation: Floats
    undercured: NDArray[np.bool_]
    overheated: NDArray[np.bool_]


def ask_stop(line: Line, recipe: Recipe, setting: Setting, stop: PlannedStop) -> Stopped:
    """Cable that is in the line when it stops, metre by metre along the path. ValueError as `ask`."""
    v = setting.speed_m_s
    if not v > 0:
        raise ValueError(f"expected a line speed above 0 m/min, got {exact(setting.speed_m_per_min)}")
    model, limits = Model.of(line, recipe, setting), limits_of(recipe)
    t0 = model.way.exit_m / v + 1.0
    t1 = t0 + max(stop.slows_s, 1e-3)
    t2 = t1 + max(stop.stop_s, 0.0)
    speed = Speed((0.0, t0, t1, t2, t2 + max(stop.restarts_s, 1e-3)), (v, v, 0.0, 0.0, v))
    coast_m = v * (t1 - t0) / 2
    stood_m = np.arange(STRETCH_M / 2, model.way.exit_m, STRETCH_M)
    entries = [_entry_s(p, coast_m, t0, v, t1 - t0) for p in stood_m.tolist()]
    each = cure_each(model.cable, model.way, speed, entries, model.t90, model.ageing)
    index, peak, aged = (
        np.array([getattr(c, name) for c in each]) for name in ("index_inner", "peak_C", "degradation")
    )
    hot = (peak > limits.surface_max_C) | (aged > limits.degradation_max)
    return Stopped(
        position_m=stood_m,
        index=index,
        peak_C=peak,
        degradation=aged,
        undercured=index < limits.index_min,
        overheated=hot,
    )


def _entry_s(stood_m: float, coast_m: float, t0: float, v: float, slows_s: float) -> float:
    """When cable that stops at a place was at the head."""
    if stood_m >= coast_m:
        return t0 - (stood_m - coast_m) / v
    return t0 + slows_s * (1 - float(np.sqrt(stood_m / coast_m)))


# ---- calibration ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Films of the zones times `factor` give the surface temperature that was read; indices before and after."""

    factor: float
    modelled_C: float
    index_before: float
    index_after: float
    films_W_m2K: Mapping[str, float]
    words: str


def calibrate(line: Line, recipe: Recipe, setting: Setting, position_m: float, reading_C: float) -> Calibration:
    """One factor for the films of all ovens from one surface temperature at a path position of a steady line.

    ValueError where no factor from 0.3 to 3 gives the reading, or the place is not on the path.
    """
    v, plain = setting.speed_m_s, replace(setting, film_factor=1.0)
    way = way_of(line, dict(setting.zone_C))
    if not 0 < position_m < way.exit_m:
        raise ValueError(
            f"expected a place between head and take-up, 0 to {exact(way.exit_m)} m, got {exact(position_m)} m"
        )

    def surface_C(factor: float) -> float:
        seen = Model.of(line, recipe, replace(plain, film_factor=factor)).profile(v, (position_m,))
        return float(np.interp(position_m, seen.position_m, seen.trace.surface_C))

    low, high = surface_C(FACTORS[0]), surface_C(FACTORS[1])
    if not min(low, high) < reading_C < max(low, high):
        raise ValueError(
            f"no film coefficient from {exact(FACTORS[0])} to {exact(FACTORS[1])} times the configured one "
            f"gives {exact(reading_C)} "
            f"degC at {exact(position_m)} m, they give {fixed(low, 0)} to {fixed(high, 0)}: "
            "look at emissivity, place, speed and temperatures"
        )
    factor = root(lambda f: surface_C(f) - reading_C, *FACTORS, 1e-6)
    assert factor is not None  # the signs at the ends differ
    before, after = (Model.of(line, recipe, replace(plain, film_factor=f)).steady(v).index_inner for f in (1.0, factor))
    films = {
        f"{z.name} at {exact(z.start_m)} m": round(z.film_W_m2K * factor, 1) for z in way.zones if z.name in ovens(line)
    }
    summary = (
        f"film coefficients times {fixed(factor, 3)} change the inner index from {fixed(before, 2)} to "
        f"{fixed(after, 2)}. "
        f"A reading 5 K lower or higher gives {fixed(_index_at(line, recipe, plain, surface_C, reading_C - 5), 2)} "
        f"or {fixed(_index_at(line, recipe, plain, surface_C, reading_C + 5), 2)}"
    )
    return Calibration(
        factor=factor,
        modelled_C=surface_C(1.0),
        index_before=before,
        index_after=after,
        films_W_m2K=films,
        words=summary,
    )


def _index_at(
    line: Line, recipe: Recipe, plain: Setting, surface_C: Callable[[float], float], reading_C: float
) -> float:
    """The inner index by the factor that gives the reading; NaN where none does."""
    factor = root(lambda f: surface_C(f) - reading_C, *FACTORS, 1e-5)
    if factor is None:
        return float("nan")
    return Model.of(line, recipe, replace(plain, film_factor=factor)).steady(plain.speed_m_s).index_inner
