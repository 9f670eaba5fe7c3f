"""Types of the record of a metre: verdicts, findings, alarm changes, drums, rows of metres."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum, StrEnum
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.contract.topics import Stream

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


WITHDRAWN = "withdrawn"  # `check` of a mark that was withdrawn
SILENCE_ALARM = "line/gateway/silent"  # a line sends nothing at all


class Verdict(IntEnum):
    """Verdict of a metre; the larger value wins where several apply."""

    CONFORMING = 0
    SUSPECT = 1
    UNVERIFIED = 2
    NONCONFORMING = 3

    @property
    def word(self) -> str:
        """The word on screens."""
        return self.name.lower()


class Priority(StrEnum):
    """How soon a person must act (ISA-18.2: three levels)."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


class AlarmState(StrEnum):
    """States of ISA-18.2 / IEC 62682 (quoted from memory; alarms do not latch)."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned to normal unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class FindingKind(StrEnum):
    """Source of a finding; the value is stored."""

    WINDOW = "window"  # a stream outside its limits
    FAULT = "fault"  # an occurrence that an event check marks: a spark fault, a tape break, a circuit failure
    DWELL = "dwell"
    MISSING = "missing"  # no data from an instrument
    STUCK = "stuck"  # an instrument whose values do not change
    CURE = "cure"  # and cooling
    INHERITED = "inherited"  # known of an earlier drum; worked out when a drum is read, never stored
    MARK = "mark"  # this and what follows are acts of people: `by` and `reason` are theirs
    WORK = "work"
    HANDOVER = "handover"
    RESISTANCE = "resistance"
    DECISION = "decision"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A stretch of cable found by one check; `key` is the same as it grows and closes.

    `start_m`, `end_m` are line metres; `end_m` is None while the stretch is open. `by` and `reason` are those of an
    act of a person, `text` adds to the other fields.
    """

    line: str
    key: str
    kind: FindingKind
    stream: str
    check: str
    verdict: Verdict
    start_m: float
    end_m: float | None
    start_s: float
    end_s: float | None
    extreme: float | None
    limit: float | None
    unit: str
    text: str = ""
    by: str = ""
    reason: str = ""


class FillingKey(NamedTuple):
    """Which filling is meant: the line that wound it and its number there, with the drum's name as its label.

    A drum that no line of this works wound has no line and the number 0: it is known by its name alone.
    """

    line: str
    filling: int
    drum: str

    @property
    def wound_here(self) -> bool:
        return self.line != ""


def bought_in(drum: str) -> FillingKey:
    """The key of a drum that no line of this works wound."""
    return FillingKey("", 0, drum)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmChange:
    """One change of state of one alarm. `alarm` is `station/quantity/check`; `occurrence_s` its raising.

    `filling` holds its line metre, or is the one being wound where it is about no metre; None for cable on no drum yet.
    """

    line: str
    alarm: str
    occurrence_s: float
    t_s: float
    event: str
    before: AlarmState
    after: AlarmState
    priority: Priority
    value: float | None
    limit: float | None
    unit: str
    line_metre: float | None
    recipe: str | None
    revision: int | None
    by: str = ""
    reason: str = ""
    until_s: float | None = None
    filling: FillingKey | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmOccurrence:
    """A newer activation of an alarm that does not change its state: it is shelved, suppressed or out of service."""

    line: str
    alarm: str
    occurrence_s: float
    value: float | None
    line_metre: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class EventMember:
    """An alarm of an event, by its newest raising there; `raised`: how often. `asks`: it waits for an answer."""

    alarm: str
    occurrence_s: float
    priority: Priority
    raised: int = 1
    active: bool = True
    asks: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LineEvent:
    """One happening on a line as it is now, with the alarms that belong to it.

    `event` is its key, the same as it grows; `kind` names an entry of the table of kinds. Line metres and end are None
    where it is about none, or goes on; `filling` holds its first metre. `touched_from_m` to `touched_to_m` is all cable
    that was in the line meanwhile. `changed_s`: since when it is as it is. `faults_m` are the newest places of a series
    of `faults`, `spacing_m` what they have in common.
    """

    line: str
    event: str
    kind: str
    start_s: float
    end_s: float | None
    changed_s: float
    start_m: float | None
    end_m: float | None
    touched_from_m: float | None
    touched_to_m: float | None
    members: tuple[EventMember, ...]
    faults: int
    faults_m: tuple[float, ...]
    spacing_m: float | None
    answered_by: str
    answered_s: float | None
    filling: FillingKey | None = None

    @property
    def priority(self) -> Priority:
        """The highest of its members'."""
        return max((m.priority for m in self.members), key=list(Priority).index)

    @property
    def asks(self) -> bool:
        """Whether it waits for an answer; else `answered_by` is who gave the last."""
        return any(m.asks for m in self.members)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrumSpan:
    """A filling: one drum from one drum change to the next, as an interval of line metre.

    Its key is the line and `filling`, a number given in order from 1 on; `drum` is its name, which may
    come back. `end_m` and `end_s` are None while it is being wound.
    """

    line: str
    filling: int
    drum: str
    recipe: str
    revision: int
    start_m: float
    end_m: float | None
    start_s: float
    end_s: float | None
    planned_length_m: float | None = None

    @property
    def key(self) -> FillingKey:
        return FillingKey(self.line, self.filling, self.drum)


@dataclass(frozen=True, slots=True, kw_only=True)
class Splice:
    """On a line a drum begins to be paid off: from `line_metre` (at the pay-off) on, what goes in there is `drum`.

    `left_m` is how much of it there is, to its inner end; None: the whole drum as it was wound.
    """

    line: str
    position: str
    drum: str
    t_s: float
    line_metre: float
    left_m: float | None = None


@dataclass(frozen=True, slots=True)
class MetreRows:
    """Rows of consecutive whole line metres: row i is the cable from `first_m + i` to one more.

    `verdict` holds `Verdict` values before findings that come later; `columns` are float arrays,
    NaN where there are no data.
    """

    line: str
    first_m: int
    verdict: NDArray[np.int8]
    columns: Mapping[str, Floats]

    def __len__(self) -> int:
        return len(self.verdict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A missing piece of a stream: `first` to `last` of numbering `start`; `t_s`: stamp of what followed."""

    line: str
    stream: str
    start: int
    first: int
    last: int
    t_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterFault:
    """A fault of the metre counter; `jump_m` was bridged by integrated speed."""

    line: str
    kind: str
    t_s: float
    reading_m: float
    expected_m: float
    line_metre: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StateSpan:
    """The line's state from `t_s` on."""

    line: str
    state: str
    t_s: float
    reason: str
    line_metre: float


@dataclass(frozen=True, slots=True)
class MessageNumber:
    """Message `n` of numbering `start` of a stream."""

    stream: Stream
    start: int
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejected:
    """A rejected message. `kind` is for counting, `why` a sentence for a person."""

    kind: str
    topic: str
    why: str
    received_s: float
    line: str = ""  # a line of this works, or none
    number: MessageNumber | None = None  # of a message whose publisher gets a refusal
    final: bool = True  # whether sending it again never helps
    unknown_line: str = ""  # a line that is not configured, where its publisher is answered


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A proposed change of limits on one line, with the rehearsal in words and its outcome.

    `base` is the revision that it would change, `revision` the one that it became.
    """

    line: str
    proposal: str
    recipe: str
    base: int
    state: str
    changes: Mapping[str, float | None]
    by: str
    reason: str
    t_s: float
    rehearsal: str = ""
    decided_by: str = ""
    decided_reason: str = ""
    decided_s: float | None = None
    revision: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Revision:
    """A recipe that came into force on a line at `t_s`, for cable that had line metre `line_metre` at the take-up on.

    `text` is the whole recipe as JSON; `approved_by` is empty where one went back to an earlier revision.
    """

    line: str
    recipe: str
    revision: int
    t_s: float
    line_metre: float
    by: str
    approved_by: str
    reason: str
    changes: Mapping[str, float | None]
    text: str


Output = (
    Finding
    | AlarmChange
    | AlarmOccurrence
    | LineEvent
    | DrumSpan
    | Splice
    | MetreRows
    | Gap
    | CounterFault
    | StateSpan
    | Rejected
    | Proposal
    | Revision
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LineNow:
    """A line at this moment, for the first page."""

    line: str
    t_s: float
    state: str
    speed_m_per_s: float
    line_metre: float
    drum: DrumSpan | None
    extra: Mapping[str, Any]
