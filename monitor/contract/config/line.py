"""The file of a line: its stations, zones, streams, counter and rotating parts, and what to do about an alarm."""

from math import ceil
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from monitor.contract import bounds
from monitor.contract.config.base import Name, NotNegative, Positive, Settings, StreamPath, refuse, repeated
from monitor.contract.config.events import DEFAULT_KINDS, EventKind
from monitor.contract.record import Priority
from monitor.contract.topics import RESERVED_STATIONS
from monitor.contract.units import ABSOLUTE_ZERO_C, UNITS, convert, units_of


class Response(Settings):
    """What ISA-18.2 rationalisation requires for every alarm."""

    cause: Annotated[str, Field(min_length=3)]
    consequence: Annotated[str, Field(min_length=3)]
    corrective_action: Annotated[str, Field(min_length=3)]
    time_to_respond_s: Positive


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
    """One interval of path with its own medium; a zone passed twice is listed twice, with its pass number."""

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
    width by which turns lie over each other; width and diameter are in the recipe's [[tape]] of that name.
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
        """How long one sample is valid for the cable that follows it."""
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


class SilenceRule(Settings):
    """When a line that sends nothing at all is reported as one alarm."""

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
    `revision`; it takes effect from the metre at the next start of the monitor. `event_kind` are kinds of events of
    its own, which come before those that every line has.
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
    silence: SilenceRule | None = None
    station: list[Station]
    zone: list[Zone] = []
    stream: list[StreamSettings]
    rotating_part: list[RotatingPart] = []
    event_kind: list[EventKind] = []

    @property
    def event_kinds(self) -> tuple[EventKind, ...]:
        """All kinds of events, the first that names an alarm is its kind."""
        return (*self.event_kind, *DEFAULT_KINDS)

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

    def range_of(self, path: str) -> tuple[float, float]:
        """Least and greatest reading of a stream, in its unit: of its instrument, and of what can be computed with."""
        settings = self.streams[path]
        low, high = -bounds.VALUE, bounds.VALUE
        if path == self.counter.stream:
            low, high = -bounds.LENGTH_M, bounds.LENGTH_M
        elif path == self.counter.speed:
            high = convert(bounds.SPEED_M_PER_S, "m/s", settings.unit)
            low = -high
        elif settings.unit == "degC":
            low = float(ceil(ABSOLUTE_ZERO_C))
        of_instrument = settings.measuring_range or (low, high)
        return max(low, of_instrument[0]), min(high, of_instrument[1])

    @model_validator(mode="after")
    def _names_meet(self) -> Self:
        problems = [*repeated("station", [s.name for s in self.station])]
        problems += repeated("stream", [s.path for s in self.stream])
        problems += repeated("pay_off", self.pay_off)
        problems += repeated("event_kind", [kind.name for kind in self.event_kinds])
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
        refuse(problems)
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
        refuse(
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
