"""Configuration as types: works, line, recipe. Unknown keys are refused; every key carries its unit."""

from datetime import date, time
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from monitor.contract.record import Priority
from monitor.contract.topics import RESERVED_STATIONS
from monitor.contract.units import ABSOLUTE_ZERO_C, UNITS, units_of

Name = Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=60)]
StreamPath = Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*/[a-z0-9]+(-[a-z0-9]+)*$")]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
LimitName = Literal["LOLO", "LO", "HI", "HIHI"]
MetreVerdict = Literal["none", "suspect", "nonconforming"]
LineStateName = Literal["running", "ramping", "stopped"]


class Settings(BaseModel):
    """Base of all configuration: frozen, and an unknown key is a fault."""

    model_config = ConfigDict(frozen=True, extra="forbid")


# ---- works.toml -------------------------------------------------------------------------------------


class Broker(Settings):
    """Where the messages travel. A password never stands in this file: name a file or a variable."""

    url: Annotated[str, Field(pattern=r"^mqtts?://[^/@\s]+$")] = "mqtt://127.0.0.1:18831"
    user: str | None = None
    password_file: str | None = None
    password_variable: str | None = None
    ca_file: str | None = None
    session_expiry_s: Annotated[int, Field(ge=0)] = 7 * 86400
    receive_maximum: Annotated[int, Field(ge=1, le=65535)] = 200


class Store(Settings):
    """Where the record is kept: a folder for SQLite and Parquet, or a database address and a folder."""

    folder: str = ".run/store"
    database_url: str | None = None
    raw_hours_in_database: Positive = 2.0


class Dashboard(Settings):
    """Where the pages are served, and by which other names; on any address but loopback they want accounts."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 18850
    names: list[str] = []
    accounts_file: str = ".run/accounts.json"
    collector_token_file: str | None = None
    behind_tls: bool = False


class WireLimits(Settings):
    """What is too large, too old or too early to be data."""

    payload_bytes_max: Annotated[int, Field(gt=0)] = 262_144
    block_samples_max: Annotated[int, Field(gt=0)] = 20_000
    ahead_max_s: Positive = 5.0
    behind_max_s: Positive = 7 * 86400.0


class Shift(Settings):
    """One shift of the day by the works' own clock; it lasts until the next one begins."""

    name: Annotated[str, Field(min_length=1, max_length=40)]
    begins: time


class AlarmFigureSettings(Settings):
    """Thresholds of the alarm figures.

    Defaults by ISA-18.2, IEC 62682 and EEMUA 191: one alarm in 10 min acceptable, two manageable, and not more than
    ten in the first 10 min of an upset (seen); floods, chattering, stale and the split of priorities (recalled).
    """

    operator_positions: Annotated[int, Field(ge=1)] = 1
    window_s: Positive = 600.0
    acceptable_per_window: Positive = 1.0
    manageable_per_window: Positive = 2.0
    flood_begins: Annotated[int, Field(ge=1)] = 10
    flood_wants_more: bool = False
    flood_ends: Annotated[int, Field(ge=1)] = 5
    chatter_count: Annotated[int, Field(ge=2)] = 3
    chatter_s: Positive = 60.0
    fleeting_s: Positive = 10.0
    stale_h: Positive = 24.0
    low_share: Positive = 0.8
    medium_share: Positive = 0.15
    high_share: Positive = 0.05

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.flood_ends > self.flood_begins:
            raise ValueError(f"flood_ends {self.flood_ends} must not be more than flood_begins {self.flood_begins}")
        return self


class Works(Settings):
    """The site."""

    works: Name
    title: str
    time_zone: str
    broker: Broker = Broker()
    store: Store = Store()
    dashboard: Dashboard = Dashboard()
    wire: WireLimits = WireLimits()
    shift: list[Shift] = []
    alarm_figures: AlarmFigureSettings = AlarmFigureSettings()

    @model_validator(mode="after")
    def _shifts_differ(self) -> Self:
        problems = [*_repeated("shift", [s.name for s in self.shift])]
        problems += _repeated("shift.begins", [s.begins.isoformat() for s in self.shift])
        _refuse(problems)
        return self


# ---- alarm texts --------------------------------------------------------------------------------------


class Response(Settings):
    """What ISA-18.2 rationalisation asks of every alarm."""

    cause: Annotated[str, Field(min_length=3)]
    consequence: Annotated[str, Field(min_length=3)]
    corrective_action: Annotated[str, Field(min_length=3)]
    time_to_respond_s: Positive


# ---- lines/*.toml ---------------------------------------------------------------------------------------


class Station(Settings):
    """One place on the line where something is done or measured."""

    name: Name
    position_m: float
    end_m: float | None = None
    title: str = ""

    @model_validator(mode="after")
    def _not_reserved(self) -> Self:
        if self.name in RESERVED_STATIONS:
            raise ValueError(f"station name {self.name!r} is reserved for messages; choose another")
        return self

    @property
    def middle_m(self) -> float:
        """Path position that readings of this station are registered at."""
        return self.position_m if self.end_m is None else (self.position_m + self.end_m) / 2


class Zone(Settings):
    """One interval of path with its own medium; a zone passed twice stands here twice, with its pass number."""

    name: Name
    pass_number: Annotated[int, Field(ge=1)] = 1
    start_m: float
    end_m: float
    temperature: StreamPath | None = None
    film_coefficient_W_m2K: Positive | None = None
    film_uncertainty_percent: NotNegative = 15.0
    medium: Literal["air", "water"] = "air"

    @model_validator(mode="after")
    def _has_length(self) -> Self:
        if self.end_m <= self.start_m:
            raise ValueError(f"end_m {self.end_m} must be greater than start_m {self.start_m}")
        return self


class OpenAir(Settings):
    """The path between the zones."""

    film_coefficient_W_m2K: Positive = 45.0
    temperature_C: float = 40.0
    film_uncertainty_percent: NotNegative = 15.0


class Derived(Settings):
    """A stream that no instrument gives: worked out from a rotation [rpm] and the line's own movement.

    `lay length`: cable made in one twist, of which a bow makes one or two a turn. `tape overlap`: share of the tape's
    width by which turns lie over each other; width and diameter stand in the recipe's [[tape]] of that name.
    """

    rule: Literal["lay length", "tape overlap"]
    of: StreamPath
    twists_per_turn: Literal[1, 2] = 1
    tape: Name | None = None

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if (self.rule == "tape overlap") != (self.tape is not None):
            raise ValueError(f"rule {self.rule!r}: `tape` names the recipe's tape for 'tape overlap', and only for it")
        return self


DERIVED_UNIT = {"lay length": "mm", "tape overlap": "%"}


class StreamSettings(Settings):
    """One stream of the line and what its instrument can do; a `derived` one has none and is never published."""

    station: Name
    quantity: Name
    unit: str
    title: str = ""
    kind: Literal["samples", "events"] = "samples"
    interval_s: Positive | None = None
    measuring_range: tuple[float, float] | None = None
    required: bool = False
    missing_after_s: Positive | None = None
    stuck_after_s: Positive | None = None
    hold_s: Positive | None = None
    priority: Priority = Priority.MEDIUM
    instrument: Response | None = None
    derived: Derived | None = None

    @property
    def path(self) -> str:
        return f"{self.station}/{self.quantity}"

    @property
    def held_s(self) -> float:
        """How long one sample speaks for the cable that follows it."""
        if self.hold_s is not None:
            return self.hold_s
        return 3.0 * self.interval_s if self.interval_s else 0.0

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.unit not in UNITS:
            raise ValueError(f"unit {self.unit!r} is not known; known are {', '.join(UNITS)}")
        if self.derived and self.unit != (unit := DERIVED_UNIT[self.derived.rule]):
            raise ValueError(f"a derived {self.derived.rule} is in {unit!r}, got unit {self.unit!r}")
        if self.derived and (self.missing_after_s or self.stuck_after_s or self.kind == "events"):
            raise ValueError(
                "a derived stream has no instrument of its own: leave out missing_after_s, stuck_after_s, kind"
            )
        if self.kind == "samples" and self.interval_s is None:
            raise ValueError("a stream of samples needs interval_s, the time between two samples")
        if (self.missing_after_s or self.stuck_after_s) and self.instrument is None:
            raise ValueError(
                "missing_after_s and stuck_after_s raise alarms, so the stream needs an [stream.instrument] table "
                "with cause, consequence, corrective_action and time_to_respond_s"
            )
        return self


class Counter(Settings):
    """The metre counter, and the speed that bridges its faults."""

    stream: StreamPath
    speed: StreamPath
    wraps_at_m: Positive | None = None
    jump_tolerance_m: Positive = 1.0
    slip_tolerance_percent: Positive = 3.0
    silent_after_s: Positive = 1.0


class Silence(Settings):
    """When a line of which nothing at all is heard is told as one alarm."""

    after_s: Positive = 10.0
    priority: Priority = Priority.HIGH
    response: Response


class RotatingPart(Settings):
    """A part that turns: by the cable (its circumference, or a pitch along it), or by a drive of its own speed.

    `gear_ratio` is its turns for one turn of what `speed_stream` says in rpm.
    """

    name: Name
    station: Name
    circumference_m: Positive | None = None
    speed_stream: StreamPath | None = None
    gear_ratio: Positive = 1.0
    wear_tolerance_percent: NotNegative = 1.0
    title: str = ""

    @model_validator(mode="after")
    def _turns(self) -> Self:
        if (self.circumference_m is None) == (self.speed_stream is None):
            raise ValueError("give circumference_m (what one turn is along the cable) or speed_stream, one of them")
        return self


class Line(Settings):
    """One continuous machine. `pay_off` names the stations where drums of earlier lines go in.

    `process` is its place on the way of the cable: lines are shown in that order. A change of the file raises
    `revision`; it takes effect from the metre at the next start of the monitor.
    """

    line: Name
    revision: Annotated[int, Field(ge=1)] = 1
    kind: Name
    title: str
    take_up: Name
    pay_off: list[Name] = []
    process: Annotated[int, Field(ge=1)] = 1
    counter: Counter
    reorder_s: Positive = 2.0
    settle_s: Positive = 5.0
    stopped_below_m_per_min: NotNegative = 3.0
    open_air: OpenAir = OpenAir()
    silence: Silence | None = None
    station: list[Station]
    zone: list[Zone] = []
    stream: list[StreamSettings]
    rotating_part: list[RotatingPart] = []

    @property
    def stations(self) -> dict[str, Station]:
        return {station.name: station for station in self.station}

    @property
    def streams(self) -> dict[str, StreamSettings]:
        return {stream.path: stream for stream in self.stream}

    @property
    def take_up_m(self) -> float:
        """Path position of the knife and the drum."""
        return self.stations[self.take_up].position_m

    @property
    def counter_m(self) -> float:
        """Path position of the metre counter."""
        return self.stations[self.counter.stream.split("/")[0]].position_m

    @model_validator(mode="after")
    def _names_meet(self) -> Self:
        problems = [*_repeated("station", [s.name for s in self.station])]
        problems += _repeated("stream", [s.path for s in self.stream])
        problems += _repeated("pay_off", self.pay_off)
        known = {s.name for s in self.station}
        for what, name in [
            ("take_up", self.take_up),
            *(("pay_off", name) for name in self.pay_off),
            *((f"stream {s.path}", s.station) for s in self.stream),
            *((f"rotating_part {p.name}", p.station) for p in self.rotating_part),
        ]:
            if name not in known:
                problems.append(f"{what}: station {name!r} is not listed under [[station]]; add it or correct it")
        paths = {s.path for s in self.stream}
        for what, path in [
            ("counter.stream", self.counter.stream),
            ("counter.speed", self.counter.speed),
            *((f"zone {z.name} pass {z.pass_number}", z.temperature) for z in self.zone if z.temperature),
            *((f"rotating_part {p.name}", p.speed_stream) for p in self.rotating_part if p.speed_stream),
            *((f"stream {s.path} derived.of", s.derived.of) for s in self.stream if s.derived),
        ]:
            if path not in paths:
                problems.append(f"{what}: stream {path!r} is not listed under [[stream]]; add it or correct it")
        _refuse(problems)
        return self

    @model_validator(mode="after")
    def _units_fit(self) -> Self:
        wanted = [
            ("counter.stream", self.counter.stream, ["m"]),
            ("counter.speed", self.counter.speed, units_of("speed")),
            *((f"zone {z.name} pass {z.pass_number}", z.temperature, ["degC"]) for z in self.zone if z.temperature),
            *((f"rotating_part {p.name}", p.speed_stream, ["rpm"]) for p in self.rotating_part if p.speed_stream),
            *((f"stream {s.path} derived.of", s.derived.of, ["rpm"]) for s in self.stream if s.derived),
        ]
        _refuse(
            [
                f"{what}: expected stream {path!r} in {' or '.join(map(repr, units))}, got {self.streams[path].unit!r}"
                for what, path, units in wanted
                if path in self.streams and self.streams[path].unit not in units
            ]
        )
        return self

    @property
    def speed_unit(self) -> str:
        """Unit of the stream of the line's speed, and of limits on it."""
        return self.streams[self.counter.speed].unit


# ---- recipes/*.toml ------------------------------------------------------------------------------------


class Geometry(Settings):
    """What the product should measure: a wall of insulation on a conductor, or of tapes or sheath on what is inside."""

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
        problems = _repeated("layers", [name for layer in self.layers for name in layer])
        if got != want and want:
            said = ", ".join(map(str, want))
            problems.append(f"{self.cores} cores: `layers` must list {said} pay-offs from the centre out, got {got}")
        elif got != want:
            problems.append(f"{self.cores} cores lie in one layer: leave out `layers`")
        _refuse(problems)
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
        _refuse(problems)
        return self


class Cooling(Settings):
    """How cold a wall must be where it is first pressed: worked out by the same solver as the cure."""

    station: Name
    inside_max_C: float
    priority: Priority = Priority.MEDIUM
    verdict: MetreVerdict = "suspect"
    too_warm: Response


class Integrity(Settings):
    """A circuit integrity test: which streams tell of it, what it prescribes, and which durations earn a class.

    Times in s from ignition. Such tests are for competent laboratories: fire, mains voltage and water together.
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
    def _water_is_heard(self) -> Self:
        if self.water_from_s is not None and self.water is None:
            raise ValueError("water_from_s needs `water`, the stream that tells when water begins")
        return self


class Cost(Settings):
    """What compound costs and how much of this product is made, for the giveaway in money."""

    compound_per_kg: Positive
    currency: Annotated[str, Field(min_length=1, max_length=8)]
    km_per_year: Positive


class Setpoints(Settings):
    """What the machine is told to hold."""

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
        _refuse(problems)
        return self


class EventCheck(Settings):
    """Every event of this stream marks metres: a spark fault, a lump counted by its own gauge."""

    stream: StreamPath
    name: Name
    guard_m: NotNegative = 0.5
    off_delay_s: NotNegative = 10.0
    priority: Priority = Priority.HIGH
    verdict: MetreVerdict = "nonconforming"
    response: Response


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
        _refuse(problems)
        return self


class Recipe(Settings):
    """What one product needs on one kind of line."""

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
        _refuse(
            [
                *_repeated("window", [w.stream for w in self.window]),
                *_repeated("dwell", [d.zone for d in self.dwell]),
                *_repeated("event_check", [e.stream for e in self.event_check]),
                *_repeated("tape", [t.name for t in self.tape]),
            ]
        )
        return self


class WantedLength(Settings):
    """A length of a product that is worth something: of the stock list, or of an order with a number and a date."""

    product: Name
    length_m: Positive
    worth: NotNegative
    order: Annotated[str, Field(min_length=1, max_length=60)] = "stock"
    wanted: Annotated[int, Field(ge=1)] | None = None
    due: date | None = None


class Orders(Settings):
    """What drums are cut to, and how: `guard_m` on both sides of bad cable, `kerf_m` lost at each cut.

    An order that is due within `urgent_within_days` counts for `urgent_share` more, so that it is cut first.
    """

    currency: Annotated[str, Field(min_length=1, max_length=8)] = "EUR"
    guard_m: NotNegative = 2.0
    kerf_m: NotNegative = 0.1
    urgent_within_days: NotNegative = 3.0
    urgent_share: NotNegative = 0.1
    drum_barrel_mm: Positive | None = None
    drum_flange_mm: Positive | None = None
    drum_width_mm: Positive | None = None
    length: list[WantedLength] = []


class Configuration(Settings):
    """All of a works' configuration, each file sound and all of them fitting together."""

    works: Works
    lines: dict[str, Line]
    recipes: dict[str, Recipe]
    orders: Orders = Orders()

    def recipes_for(self, line: str) -> dict[str, Recipe]:
        """Recipes that can run on a line."""
        kind = self.lines[line].kind
        return {name: recipe for name, recipe in self.recipes.items() if recipe.line_kind == kind}


def _repeated(what: str, names: list[str]) -> list[str]:
    return [f"{what} {name!r} stands more than once" for name in sorted({n for n in names if names.count(n) > 1})]


def _refuse(problems: list[str]) -> None:
    if problems:
        raise ValueError("; ".join(problems))
