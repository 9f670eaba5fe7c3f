"""Kinds of events: which alarms are of one happening, and how near to each other they must be.

`DEFAULT_KINDS` holds for every line; a line's file may add kinds, which then come first. The order is that of
precedence: an alarm belongs to the first kind that names it.
"""

from fnmatch import fnmatchcase
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from monitor.contract.config.base import Name, Positive, Settings, refuse

_PART = r"[A-Za-z0-9*]+(-[A-Za-z0-9*]+)*"
AlarmPattern = Annotated[str, Field(pattern=rf"^{_PART}/{_PART}/{_PART}$")]
"""`station/quantity/check` of an alarm; `*` stands for any letters within a part."""


class EventKind(Settings):
    """One kind of event. `causes` open it; `effects` belong to it where they are about cable that it has touched, or,
    of an event of the whole line, have come meanwhile.

    `same` says what a further cause has in common with it: a place on the cable, the station, the stream, or only the
    line. Near is within `guard_m` of its metres, or within `guard_s` of its end. `alone_m` is the longer guard of an
    event that one stream alone has seen, where the line has others that would: one gauge then is off.
    `same = "stop"`: the event is a stop of the line, which no alarm opens; it has effects alone. `consequence`: an
    event of this kind takes on that of its cause where this shows later.
    """

    name: Name
    title: Annotated[str, Field(min_length=3, max_length=60)]
    causes: list[AlarmPattern] = []
    effects: list[AlarmPattern] = []
    same: Literal["cable", "station", "stream", "line", "stop"]
    guard_m: Positive | None = None
    guard_s: Positive | None = None
    alone_m: Positive | None = None
    consequence: bool = False

    def is_cause(self, alarm: str) -> bool:
        """Whether an alarm opens an event of this kind."""
        return any(fnmatchcase(alarm, pattern) for pattern in self.causes)

    def is_effect(self, alarm: str) -> bool:
        """Whether an alarm may follow from an event of this kind."""
        return any(fnmatchcase(alarm, pattern) for pattern in self.effects)

    @model_validator(mode="after")
    def _complete(self) -> Self:
        problems = []
        if self.same == "stop":
            if self.causes or self.guard_m or self.guard_s or not self.effects:
                problems.append('same = "stop" needs effects, and takes no causes and no guard')
        else:
            if not self.causes:
                problems.append("causes must name at least one alarm, as station/quantity/check")
            if (self.guard_m is None) == (self.guard_s is None):
                problems.append("give guard_m (metres of cable) or guard_s (seconds), one of them")
            if self.same == "cable" and self.guard_m is None:
                problems.append('same = "cable" needs guard_m')
            if self.alone_m is not None and self.same != "cable":
                problems.append('alone_m goes with same = "cable"')
        refuse(problems)
        return self


_CURE = ["cure/*/*", "cooling/*/*"]

# Guards: a place is within one wave of a gauge's trace; faults of the insulation belong together as long as a tester's
# alarm stays active at production speed (10 s at 240 m/min); a zone swings back within two minutes.
DEFAULT_KINDS: tuple[EventKind, ...] = (
    EventKind(name="stop", title="Stop", effects=[*_CURE, "*/dwell/long", "*/speed/LO*"], same="stop"),
    EventKind(
        name="silent-line", title="No data from the line", causes=["line/gateway/silent"], effects=["*/*/missing"],
        same="line", guard_s=60.0,
    ),
    EventKind(
        name="instrument", title="Instrument fault", causes=["*/*/missing", "*/*/stuck", "line/counter/fault"],
        same="stream", guard_s=60.0,
    ),
    EventKind(
        name="insulation-fault", title="Insulation fault", causes=["*/spark-fault/*"], same="station", guard_m=40.0
    ),
    EventKind(name="tape-break", title="Tape break", causes=["*/tape-break/*"], same="station", guard_m=10.0),
    EventKind(
        name="thick-place", title="Thick place", causes=["*/diameter*/HI*"], same="cable", guard_m=5.0, alone_m=150.0
    ),
    EventKind(
        name="thin-place", title="Thin place", causes=["*/diameter*/LO*"], same="cable", guard_m=5.0, alone_m=150.0
    ),
    EventKind(
        name="zone-excursion", title="Temperature outside its limits", causes=["*/temperature/*"], effects=_CURE,
        same="station", guard_s=120.0,
    ),
    EventKind(
        name="slow-line", title="Line too slow", causes=["*/speed/LO*"], effects=[*_CURE, "*/dwell/long"],
        same="station", guard_s=60.0,
    ),
    EventKind(
        name="fast-line", title="Line too fast", causes=["*/speed/HI*"], effects=[*_CURE, "*/dwell/short"],
        same="station", guard_s=60.0,
    ),
    EventKind(
        name="cure", title="Cure or dwell time outside its limits", causes=[*_CURE, "*/dwell/*"], same="cable",
        guard_m=50.0, consequence=True,
    ),
    EventKind(name="monitor", title="Fault of the monitor", causes=["monitor/*/*"], same="stream", guard_s=60.0),
    EventKind(name="other", title="Value outside its limits", causes=["*/*/*"], same="stream", guard_s=60.0),
)  # fmt: skip
