"""The file of a recipe: geometry, materials, windows, cure and integrity of one product on one kind of line."""

from typing import Annotated, Literal, Self

from pydantic import Field, SerializerFunctionWrapHandler, model_serializer, model_validator

from monitor.contract.config.base import (
    LimitName,
    LineStateName,
    MetreVerdict,
    Name,
    NotNegative,
    Positive,
    Settings,
    StreamPath,
    refuse,
    repeated,
)
from monitor.contract.config.line import Response
from monitor.contract.record import Priority
from monitor.contract.units import ABSOLUTE_ZERO_C


class Geometry(Settings):
    """Nominal dimensions: a wall of insulation on a conductor, or of tapes or sheath on what is inside."""

    conductor_diameter_mm: Positive | None = None
    inner_diameter_mm: Positive | None = None
    wall_mm: Positive

    @property
    def inside_mm(self) -> float:
        """Diameter under the wall."""
        return self.conductor_diameter_mm or self.inner_diameter_mm or 0.0

    @property
    def outer_diameter_mm(self) -> float:
        return self.inside_mm + 2 * self.wall_mm

    @model_validator(mode="after")
    def _one_inside(self) -> Self:
        if (self.conductor_diameter_mm is None) == (self.inner_diameter_mm is None):
            raise ValueError("give conductor_diameter_mm, or inner_diameter_mm of what the wall lies on: one of them")
        return self


class Conductor(Settings):
    """Cross-section and class by IEC 60228: the largest resistance follows. `required`: none is released unmeasured."""

    section_mm2: Positive
    conductor_class: Literal[1, 2, 5]
    required: bool = False


class Tape(Settings):
    """A tape wound on `on_diameter_mm`."""

    name: Name
    width_mm: Positive
    on_diameter_mm: Positive


CORES_BY_LAYER = {7: (1, 6), 12: (3, 9), 19: (1, 6, 12)}  # from the centre out; fewer than 7 lie in one layer


class LayingUp(Settings):
    """How equal cores lie in the cable: what a metre of cable takes of each follows from lay and pitch diameter.

    `layers` names the pay-offs of each layer from the centre out, where there is more than one; what is paid off
    elsewhere lies in the outermost.
    """

    cores: Literal[2, 3, 4, 5, 6, 7, 12, 19]
    core_diameter_mm: Positive
    lay_mm: Positive
    layers: list[list[Name]] = []

    def layer_of(self, pay_off: str) -> int:
        """Layer of what is paid off there, from 0 at the centre."""
        found = (i for i, layer in enumerate(self.layers) if pay_off in layer)
        return next(found, len(CORES_BY_LAYER.get(self.cores, (self.cores,))) - 1)

    @model_validator(mode="after")
    def _layers_hold_the_cores(self) -> Self:
        want, got = CORES_BY_LAYER.get(self.cores, ()), tuple(len(layer) for layer in self.layers)
        problems = repeated("layers", [name for layer in self.layers for name in layer])
        if got != want and want:
            order = ", ".join(map(str, want))
            problems.append(f"{self.cores} cores: `layers` must list {order} pay-offs from the centre out, got {got}")
        elif got != want:
            problems.append(f"{self.cores} cores lie in one layer: leave out `layers`")
        refuse(problems)
        return self


class Material(Settings):
    """Densities, heats and conductivity of conductor and wall."""

    conductor_density_kg_m3: NotNegative
    conductor_heat_J_kgK: Positive
    compound_density_kg_m3: Positive
    compound_heat_J_kgK: Positive
    compound_conductivity_W_mK: Positive
    conductor_entry_C: float
    compound_entry_C: float


class Arrhenius(Settings):
    """A time that shortens with temperature: t(T) = time_s * exp(Ea/R (1/T - 1/T_ref))."""

    time_s: Positive
    reference_C: float
    activation_energy_J_mol: Positive


class Cure(Settings):
    """How the wall cures and what counts as cured; `sheave` is the first on which a soft surface would flatten."""

    t90: Arrhenius
    degradation: Arrhenius
    index_min: Positive = 1.0
    index_warn: Positive = 1.2
    surface_max_C: float
    degradation_max: Positive
    sheave: Name | None = None
    sheave_index_min: Positive | None = None
    priority: Priority = Priority.HIGH
    undercured: Response
    overheated: Response

    @model_validator(mode="after")
    def _sound(self) -> Self:
        problems = []
        if self.index_warn < self.index_min:
            problems.append(f"index_warn {self.index_warn} must not be less than index_min {self.index_min}")
        if (self.sheave is None) != (self.sheave_index_min is None):
            problems.append("sheave and sheave_index_min go together: give both or neither")
        refuse(problems)
        return self


class Cooling(Settings):
    """The highest temperature of a wall where it is first pressed, computed by the same solver as the cure."""

    station: Name
    inside_max_C: float
    priority: Priority = Priority.MEDIUM
    verdict: MetreVerdict = "suspect"
    too_warm: Response


class Integrity(Settings):
    """A circuit integrity test: which streams it is judged by, what it prescribes, and which durations earn a class.

    Times in s from ignition. Tests for competent laboratories only: fire, mains voltage and water are present together.
    """

    standard: Annotated[str, Field(min_length=2, max_length=60)]
    flame: StreamPath
    shock: StreamPath
    circuit: StreamPath
    water: StreamPath | None = None
    flame_C: float
    below_C: NotNegative = 0.0
    above_C: NotNegative
    settle_s: NotNegative = 60.0
    shock_first_s: Positive
    shock_every_s: Positive
    shock_within_s: Positive
    water_from_s: Positive | None = None
    classes_min: Annotated[list[Annotated[int, Field(gt=0)]], Field(min_length=1)]

    @model_validator(mode="after")
    def _water_is_measured(self) -> Self:
        if self.water_from_s is not None and self.water is None:
            raise ValueError("water_from_s needs `water`, the stream that reports when water begins")
        return self


class Cost(Settings):
    """What compound costs and how much of this product is made, for the giveaway in money."""

    compound_per_kg: Positive
    currency: Annotated[str, Field(min_length=1, max_length=8)]
    km_per_year: Positive


class Setpoints(Settings):
    """Setpoints of the machine."""

    speed_m_per_min: Positive
    zone_C: dict[Name, float] = {}


class Window(Settings):
    """The interval in which a stream should stay. Delays run in seconds or in metres of cable."""

    stream: StreamPath
    unit: str
    states: list[LineStateName] = ["running", "ramping"]
    lolo: float | None = None
    lo: float | None = None
    hi: float | None = None
    hihi: float | None = None
    deadband: NotNegative = 0.0
    on_delay_s: NotNegative | None = None
    on_delay_m: NotNegative | None = None
    off_delay_s: NotNegative | None = None
    off_delay_m: NotNegative | None = None
    priority: dict[LimitName, Priority] = {}
    verdict: dict[LimitName, MetreVerdict] = {}
    low: Response | None = None
    high: Response | None = None

    @property
    def limits(self) -> dict[LimitName, float]:
        """Limits that are set, by name."""
        named: dict[LimitName, float | None] = {"LOLO": self.lolo, "LO": self.lo, "HI": self.hi, "HIHI": self.hihi}
        return {name: at for name, at in named.items() if at is not None}

    def priority_of(self, limit: LimitName) -> Priority:
        default = Priority.HIGH if limit in ("LOLO", "HIHI") else Priority.MEDIUM
        return self.priority.get(limit, default)

    def verdict_of(self, limit: LimitName) -> MetreVerdict:
        return self.verdict.get(limit, "nonconforming" if limit in ("LOLO", "HIHI") else "suspect")

    def response_of(self, limit: LimitName) -> Response:
        response = self.low if limit in ("LOLO", "LO") else self.high
        assert response is not None  # refused at load
        return response

    @model_validator(mode="after")
    def _sound(self) -> Self:
        problems = []
        at = list(self.limits.values())
        if not at:
            problems.append("no limit is set: give at least one of lolo, lo, hi, hihi")
        if at != sorted(at) or len(set(at)) != len(at):
            problems.append(f"limits must rise from lolo to hihi, got {self.limits}")
        if self.unit == "degC" and at and at[0] < ABSOLUTE_ZERO_C:
            problems.append(f"no temperature is below {ABSOLUTE_ZERO_C} degC, got {self.limits}")
        low, high = (
            next((x for x in pair if x is not None), None) for pair in ((self.lo, self.lolo), (self.hi, self.hihi))
        )
        if low is not None and high is not None and low < high and self.deadband >= high - low:
            problems.append(
                f"deadband: expected less than {high - low:g}, the distance from {low:g} to {high:g}, got "
                f"{self.deadband:g}: an alarm would never return"
            )
        if self.on_delay_s is not None and self.on_delay_m is not None:
            problems.append("on_delay_s and on_delay_m exclude each other: keep one")
        if self.off_delay_s is not None and self.off_delay_m is not None:
            problems.append("off_delay_s and off_delay_m exclude each other: keep one")
        low_set = self.lolo is not None or self.lo is not None
        high_set = self.hi is not None or self.hihi is not None
        for wanted, side, response in [(low_set, "low", self.low), (high_set, "high", self.high)]:
            if wanted and response is None:
                problems.append(
                    f"limits on the {side} side need a [window.{side}] table with cause, consequence, "
                    "corrective_action and time_to_respond_s"
                )
        refuse(problems)
        return self


class Exposure(Settings):
    """The rule for how long a spark tester must hold each point of the cable at voltage."""

    rule: Literal["IEC 62230", "UL 2556"]
    frequency_Hz: Positive | None = None

    @model_validator(mode="after")
    def _sound(self) -> Self:
        counts = self.rule == "UL 2556" and self.frequency_Hz is None
        refuse(["UL 2556 counts cycles: give frequency_Hz, the frequency of the test voltage"] if counts else [])
        return self


class EventCheck(Settings):
    """Every event of this stream marks metres: a spark fault, a lump counted by its own gauge."""

    stream: StreamPath
    name: Name
    guard_m: NotNegative = 0.5
    off_delay_s: NotNegative = 10.0
    priority: Priority = Priority.HIGH
    verdict: MetreVerdict = "nonconforming"
    exposure: Exposure | None = None
    response: Response

    @model_serializer(mode="wrap")
    def _as_written_before(self, form: SerializerFunctionWrapHandler) -> dict[str, object]:
        """Without the key that came after 0.4.0 where it is not set: the text of a recipe on record stays the same."""
        written: dict[str, object] = form(self)
        if self.exposure is None:
            written.pop("exposure", None)  # absent already where defaults are left out
        return written


class Dwell(Settings):
    """How long one metre may spend in a zone, all passes together."""

    zone: Name
    min_s: NotNegative | None = None
    max_s: Positive | None = None
    on_delay_m: NotNegative = 1.0
    priority: Priority = Priority.MEDIUM
    verdict: MetreVerdict = "suspect"
    short: Response | None = None
    long: Response | None = None

    @model_validator(mode="after")
    def _sound(self) -> Self:
        problems = []
        if self.min_s is None and self.max_s is None:
            problems.append("no limit is set: give min_s or max_s")
        if self.min_s is not None and self.max_s is not None and self.min_s >= self.max_s:
            problems.append(f"min_s {self.min_s} must be less than max_s {self.max_s}")
        for at, side, response in [(self.min_s, "short", self.short), (self.max_s, "long", self.long)]:
            if at is not None and response is None:
                problems.append(f"this limit needs a [dwell.{side}] table that says what to do")
        refuse(problems)
        return self


class Recipe(Settings):
    """The recipe of one product on one kind of line."""

    recipe: Name
    revision: Annotated[int, Field(ge=1)]
    title: str
    line_kind: Name
    geometry: Geometry
    conductor: Conductor | None = None
    laying_up: LayingUp | None = None
    tape: list[Tape] = []
    material: Material | None = None
    cure: Cure | None = None
    cooling: Cooling | None = None
    integrity: Integrity | None = None
    cost: Cost | None = None
    setpoints: Setpoints
    window: list[Window] = []
    event_check: list[EventCheck] = []
    dwell: list[Dwell] = []

    @model_validator(mode="after")
    def _one_each(self) -> Self:
        refuse(
            [
                *repeated("window", [w.stream for w in self.window]),
                *repeated("dwell", [d.zone for d in self.dwell]),
                *repeated("event_check", [e.stream for e in self.event_check]),
                *repeated("tape", [t.name for t in self.tape]),
            ]
        )
        return self
