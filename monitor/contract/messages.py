"""Messages on the wire: JSON payloads as types. Unknown fields are ignored, NaN and Infinity rejected."""

from bisect import bisect_right
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from monitor.contract import bounds

Quality = Literal["good", "uncertain", "bad"]
LineState = Literal["running", "ramping", "stopped"]
Sequence = Annotated[int, Meta(ge=0, le=2**53, description="Sequence number of the message in its stream.")]
Start = Annotated[
    int, Meta(ge=0, le=2**53, description="Names the numbering that `n` belongs to: UTC ms when it began, or 0.")
]
UtcMs = Annotated[int, Meta(ge=0, le=bounds.TIME_MS, description="UTC time, ms since 1970-01-01T00:00Z.")]
Name = Annotated[str, Meta(max_length=bounds.NAME, pattern=bounds.ONE_LINE)]
Label = Annotated[str, Meta(max_length=bounds.LABEL, pattern=bounds.ONE_LINE)]
RequiredLabel = Annotated[str, Meta(min_length=1, max_length=bounds.LABEL, pattern=bounds.ONE_LINE)]
AlarmName = Annotated[str, Meta(max_length=bounds.ALARM, pattern=bounds.ONE_LINE)]
EventKey = Annotated[str, Meta(max_length=bounds.EVENT, pattern=bounds.ONE_LINE)]
Text = Annotated[str, Meta(max_length=bounds.TEXT, pattern=bounds.LINES)]
Words = Annotated[str, Meta(max_length=bounds.WORDS, pattern=bounds.LINES)]
Metre = Annotated[float, Meta(ge=-bounds.LENGTH_M, le=bounds.LENGTH_M)]
Limit = Annotated[float, Meta(ge=-bounds.VALUE, le=bounds.VALUE)]
Revision = Annotated[int, Meta(ge=0, le=bounds.REVISION)]


class Samples(msgspec.Struct, frozen=True, kw_only=True):
    """One sample (`v` a number) or a block (`v` a list, `dt` the step); `t` is the time of the first."""

    n: Sequence
    t: UtcMs
    v: float | list[float]
    dt: (
        Annotated[
            float, Meta(ge=bounds.STEP_MIN_MS, le=bounds.STEP_MS, description="Time between samples of a block, ms.")
        ]
        | None
    ) = None
    q: Quality | list[Quality] = "good"
    start: Start = 0


class StateChange(msgspec.Struct, frozen=True, kw_only=True):
    """State of the line from `t` on, and the cause if the machine knows it."""

    n: Sequence
    t: UtcMs
    state: LineState
    reason: Text = ""
    start: Start = 0


class DrumChange(msgspec.Struct, frozen=True, kw_only=True):
    """A drum change: from `t` on, cable at the take-up goes on this drum, judged by this recipe; null: on none.

    With null, `recipe` may name the one that the line is set up for; without it the one before stays in force.
    """

    n: Sequence
    t: UtcMs
    drum: RequiredLabel | None
    recipe: Name = ""
    planned_length_m: Metre | None = None
    start: Start = 0


class PayoffChange(msgspec.Struct, frozen=True, kw_only=True):
    """A pay-off change: from `t` on, what goes in at this pay-off is `drum`, of which `left_m` is there (else all)."""

    n: Sequence
    t: UtcMs
    drum: RequiredLabel
    left_m: (
        Annotated[float, Meta(gt=0, le=bounds.LENGTH_M, description="Length on the pay-off down to the inner end, m.")]
        | None
    ) = None
    start: Start = 0


class Action(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What a person did. `occurrence` names one activation of an alarm by its time, so that a late response applies to
    no other; of a mark that is withdrawn it is the time `t` of the marking. `event` in place of `alarm`: a response to
    each of its alarms.
    """

    n: Sequence
    t: UtcMs
    action: Literal[
        "acknowledge",
        "shelve",
        "unshelve",
        "take out of service",
        "return to service",
        "mark metres",
        "withdraw mark",
        "note work",
        "hand over",
        "note resistance",
        "sign record",
    ]
    by: RequiredLabel
    reason: Words = ""
    alarm: AlarmName | None = None
    occurrence: UtcMs | None = None
    until: UtcMs | None = None
    start_m: Metre | None = None
    end_m: Metre | None = None
    station: Name | None = None
    drum: Label | None = None
    recipe: Name | None = None
    decision: Literal["release", "hold", "scrap"] | None = None
    ohm: (
        Annotated[
            float, Meta(gt=0, le=bounds.VALUE, description="Resistance of the conductor over the whole drum, ohm.")
        ]
        | None
    ) = None
    at_C: Annotated[float, Meta(ge=-50, le=150, description="Temperature at which it was measured, degC.")] | None = (
        None
    )
    start: Start = 0
    mark: (
        Annotated[
            Literal["suspect", "repaired", "concession", "comment"],
            Meta(description="What a mark says of its metres, suspect where it is left out. Only that is a verdict."),
        ]
        | None
    ) = None
    event: EventKey | None = None


class LimitsStep(msgspec.Struct, frozen=True, kw_only=True):
    """A step of a change of limits: a proposal with its rehearsal, the decision on it, or the return to a revision."""

    n: Sequence
    t: UtcMs
    step: Literal["propose", "approve", "refuse", "withdraw", "go back"]
    recipe: Name
    by: RequiredLabel
    proposal: Label = ""
    base: Revision | None = None
    changes: Annotated[dict[AlarmName, Limit | None], Meta(max_length=bounds.CHANGES)] | None = None
    to: Revision | None = None
    reason: Text = ""
    rehearsal: Annotated[str, Meta(max_length=bounds.SUMMARY, pattern=bounds.LINES)] = ""
    start: Start = 0


Notification = StateChange | DrumChange | PayoffChange | Action | LimitsStep  # messages without samples


class Stored(msgspec.Struct, frozen=True, omit_defaults=True):
    """Of a numbering, every message from `from` to `n` is stored except `missing`: first and last of holes, rising."""

    n: Sequence
    first: Sequence = msgspec.field(name="from")
    missing: list[tuple[Sequence, Sequence]] = []
    start: Start = 0

    def covers(self, start: int, n: int) -> bool:
        """Whether it covers a message."""
        if not (start == self.start and self.first <= n <= self.n):
            return False
        i = bisect_right(self.missing, n, key=lambda hole: hole[0])
        return i == 0 or self.missing[i - 1][1] < n


class Refused(msgspec.Struct, frozen=True, kw_only=True):
    """Message `n` of the stream is not stored, and why: never where `final`, else not now."""

    n: Sequence
    why: Annotated[str, Meta(max_length=bounds.TEXT, description="What was expected and what came instead.")]
    start: Start = 0
    final: Annotated[bool, Meta(description="False: it may be stored later, keep it and send it again (R21).")] = True
    kind: Annotated[str, Meta(description="The reason by its name in the rules.")] = ""


class AlarmReport(msgspec.Struct, frozen=True, kw_only=True):
    """A change of an alarm's state; `drum` holds its line metre (null: on none yet), `filling` is its number there."""

    t: UtcMs
    alarm: str
    occurrence: UtcMs
    state: str
    priority: str
    text: str
    value: float | None = None
    limit: float | None = None
    line_metre: float | None = None
    drum: str | None = None
    filling: int | None = None
    unit: Annotated[str, Meta(description="Of value and limit.")] = ""
    recipe: Annotated[str | None, Meta(description="By which the alarm was judged, null: by none.")] = None


class EventReport(msgspec.Struct, frozen=True, kw_only=True):
    """An event as it is now, with its alarms; `event` is the same as it grows, and an `action` answers it by that.

    `drum` holds its first line metre, `filling` is its number there. Faults lie `spacing_m` or multiples of it apart.
    """

    t: UtcMs
    event: str
    kind: str
    start: UtcMs
    end: UtcMs | None = None
    priority: str
    asks: bool
    alarms: Annotated[dict[str, UtcMs], Meta(description="Its alarms, each with the time of its newest activation.")]
    start_m: float | None = None
    end_m: float | None = None
    drum: str | None = None
    filling: int | None = None
    faults: int = 0
    spacing_m: float | None = None
    by: str = ""


class Health(msgspec.Struct, frozen=True, kw_only=True):
    """Status of the monitor: once a second, retained."""

    t: UtcMs
    messages: int
    rejected: dict[str, int]
    lag_s: float
    queue: int
    last_commit: UtcMs | None = None
    disk_free_bytes: int | None = None
    refused_per_min: float = 0.0
    clock_step_s: Annotated[float, Meta(description="By how much the machine's clock left its own pace, s.")] = 0.0
    problems: list[str] = []  # what keeps it from storing or judging now, in words
    suspended: Annotated[dict[str, str], Meta(description="Lines of which nothing is stored for now, and why.")] = {}
    suspended_s: Annotated[float, Meta(description="For how long one has been.")] = 0.0
    store_fault_s: Annotated[float, Meta(description="For how long the store could not be written.")] = 0.0
    lines: Annotated[list[str], Meta(description="Lines that this monitor watches.")] = []
    notes: Annotated[list[str], Meta(description="What to know of it that keeps it from nothing, in words.")] = []


STREAM_MESSAGES: dict[str, type[msgspec.Struct]] = {
    "samples": Samples,
    "state": StateChange,
    "drum": DrumChange,
    "payoff": PayoffChange,
    "action": Action,
    "limits": LimitsStep,
}
MONITOR_MESSAGES: dict[str, type[msgspec.Struct]] = {
    "stored": Stored,
    "refused": Refused,
    "alarm": AlarmReport,
    "event": EventReport,
    "health": Health,
}
