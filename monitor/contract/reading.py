"""Queries of the record: the one interface between the store and its readers."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from monitor.contract.command import CannotRunError
from monitor.contract.config.recipe import Recipe
from monitor.contract.record import FillingKey, Finding, FindingKind, Floats, Ints, LineEvent, Splice
from monitor.contract.topics import Stream


class SchemaVersionError(CannotRunError):
    """The store's tables are of another version than the program reads and writes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRow:
    """One change of an alarm as stored; in `alarms_now` the newest of each alarm. Times are UTC ms."""

    line: str
    alarm: str
    occurrence_ms: int
    t_ms: int
    event: str
    state: str
    priority: str
    value: float | None
    limit: float | None
    unit: str
    line_metre: float | None
    recipe: str | None
    revision: int | None
    by: str
    reason: str
    until_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DrumRow:
    """A filling as stored: line and `filling` are its key, `drum` its name. Lengths in m, None while it is wound."""

    line: str
    filling: int
    drum: str
    recipe: str
    revision: int
    start_m: float
    end_m: float | None
    start_ms: int
    end_ms: int | None
    planned_length_m: float | None
    metres: Mapping[str, float]  # by verdict word

    @property
    def key(self) -> FillingKey:
        return FillingKey(self.line, self.filling, self.drum)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrumSearch:
    """Which drums to list. `name` is any part of a drum's name, A to Z in either case; `undecided` are those that have
    ended and of which nobody has signed a decision.
    """

    name: str = ""
    line: str | None = None
    recipe: str | None = None
    undecided: bool = False
    limit: int = 50
    offset: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class NowRow:
    """A line at this moment."""

    line: str
    t_ms: int
    state: str
    speed_m_per_s: float
    line_metre: float
    drum: str | None
    filling: int | None
    recipe: str | None
    drum_start_m: float | None
    planned_length_m: float | None
    extra: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Trend:
    """Samples of a stream: UTC ms and values, NaN where the quality was bad."""

    t_ms: Ints
    v: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class DamagedFile:
    """A file below the store's folder that is not as it was written, and how; its span counts as unverified."""

    line: str
    path: str
    damage: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RejectedRow:
    """Rejected messages by kind, with the newest example."""

    line: str
    kind: str
    count: int
    newest_ms: int
    topic: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthRow:
    """A monitor process by its last status: `monitor` names its lines; times are UTC ms."""

    monitor: str
    t_ms: int
    messages: int
    rejected: Mapping[str, int]
    lag_s: float
    queue: int
    last_commit_ms: int | None
    disk_free_bytes: int | None
    problems: Sequence[str] = ()
    suspended: Mapping[str, str] = field(default_factory=dict)  # lines of which nothing is stored at present, and why
    lines: Sequence[str] = ()
    notes: Sequence[str] = ()  # what limits nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposalRow:
    """A proposed change of limits, as stored; times are UTC ms."""

    line: str
    proposal: str
    recipe: str
    base: int
    state: str
    changes: Mapping[str, float | None]
    by: str
    reason: str
    t_ms: int
    rehearsal: str
    decided_by: str
    decided_reason: str
    decided_ms: int | None
    revision: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RevisionRow:
    """A recipe that came into force on a line while it ran."""

    line: str
    recipe: Recipe
    t_ms: int
    line_metre: float
    by: str
    approved_by: str
    reason: str
    changes: Mapping[str, float | None]


class Record(Protocol):
    """Read-only view of the store. Line metres are floats; rows are whole line metres."""

    def lines_now(self) -> Sequence[NowRow]: ...
    def health(self) -> Sequence[HealthRow]:
        """A row a monitor process."""
        ...

    def damaged_files(self) -> Sequence[DamagedFile]: ...
    def alarms_now(self, line: str | None = None) -> Sequence[AlarmRow]:
        """Alarms whose state is not normal, most urgent first."""
        ...

    def alarm_changes(
        self, line: str | None, start_ms: int, end_ms: int, limit: int = 1000, offset: int = 0
    ) -> Sequence[AlarmRow]:
        """Changes in a span of time, newest first, `offset` of them left out."""
        ...

    def count_alarm_changes(self, line: str | None, start_ms: int, end_ms: int) -> int: ...
    def events_open(self, line: str) -> Sequence[LineEvent]:
        """Events of a line that go on or wait for an answer, most urgent first."""
        ...

    def drums(self, line: str | None = None, limit: int = 50) -> Sequence[DrumRow]:
        """Newest first, the one being wound included."""
        ...

    def find_drums(self, search: DrumSearch) -> Sequence[DrumRow]:
        """Those that are searched for, newest first."""
        ...

    def decisions(self, drums: Sequence[DrumRow]) -> Mapping[FillingKey, Finding]:
        """The newest signed decision of each of these drums that has one."""
        ...

    def drum(self, line: str, filling: int) -> DrumRow | None: ...
    def drum_named(self, line: str, drum: str) -> DrumRow | None:
        """The newest filling of a line with this name."""
        ...

    def drums_named(self, *names: str) -> Sequence[DrumRow]:
        """Fillings of these names on any line, newest first: a works that names each drum once has one of each."""
        ...

    def drums_between(self, line: str, start_m: float, end_m: float) -> Sequence[DrumRow]:
        """Drums that hold any of an interval of line metre, along it."""
        ...

    def splices(self, line: str, start_m: float, end_m: float) -> Sequence[Splice]:
        """What was put on at each pay-off over an interval of line metre, along it, what was on at its start too."""
        ...

    def splices_of(self, drum: str) -> Sequence[Splice]:
        """Where a drum was put on, on any line, oldest first."""
        ...

    def verdicts(self, line: str, start_m: float, end_m: float) -> tuple[int, NDArray[np.int8]]:
        """First whole line metre and one `Verdict` a metre, findings laid over; metres not yet wound are absent."""
        ...

    def rows(
        self, line: str, start_m: float, end_m: float, columns: Sequence[str] | None = None
    ) -> Mapping[str, Floats]:
        """Columns of per-metre rows, `line_metre` among them; NaN where there are no data."""
        ...

    def findings(self, line: str, start_m: float, end_m: float) -> Sequence[Finding]: ...
    def findings_of_kind(self, kind: FindingKind, limit: int) -> Sequence[Finding]:
        """The newest findings of a kind on any line, newest first."""
        ...

    def samples(self, stream: Stream, start_ms: int, end_ms: int) -> Trend: ...
    def newest_ms(self, line: str) -> Mapping[str, int]:
        """UTC ms of the newest stored sample by stream path."""
        ...

    def states(self, line: str, start_ms: int, end_ms: int) -> Sequence[tuple[int, str, str]]:
        """(t_ms, state, reason) of each change, the one in force at the start included."""
        ...

    def proposals(self, limit: int = 100) -> Sequence[ProposalRow]:
        """Newest first."""
        ...

    def recipes_of_files(self) -> Sequence[Recipe]:
        """Every revision of a recipe's file that the monitor has taken."""
        ...

    def came_into_force(self, line: str | None = None) -> Sequence[RevisionRow]:
        """Recipes that came into force while lines ran, newest first."""
        ...

    def metre_at(self, line: str, t_ms: int) -> float | None:
        """Line metre at the counter at a time, straight between changes of state; None before the line was known."""
        ...

    def time_at(self, line: str, line_metre: float) -> int | None:
        """UTC ms at which the counter was last at a line metre, straight between changes of state; None if never."""
        ...

    def journal_hash(self, line: str) -> str | None:
        """Hash of the newest entry of a line's audit trail, None where there is none."""
        ...

    def rejected(self) -> Sequence[RejectedRow]: ...
    def gaps(self, line: str, start_ms: int, end_ms: int) -> Sequence[tuple[str, int, int, int]]:
        """(stream path, first n, last n, t_ms) of missing messages."""
        ...
