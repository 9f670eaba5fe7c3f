"""The record of a drum as types: one value for the page, the PDF, JSON and the command.

Metres of a drum or a reel count from its own start, in m; times ending in `_ms` are UTC milliseconds.
"""

import msgspec

from monitor.contract.record import FindingKind


class Statistics(msgspec.Struct, frozen=True, kw_only=True):
    """A column over some metres, in its own unit; `sigma` is the standard deviation of the metres' values."""

    least: float
    mean: float
    most: float
    sigma: float


class SparkTest(msgspec.Struct, frozen=True, kw_only=True):
    """One spark tester over the metres of a drum: its faults, its voltage, and the shortest time at voltage.

    `exposure_needed_s` is what the rule asks that the recipe names; None where it names none.
    """

    station: str
    title: str
    faults: int
    per_km: float | None
    voltage_kV: Statistics | None
    exposure_least_s: float | None
    exposure_rule: str | None = None
    exposure_needed_s: float | None = None
    exposure_suffices: bool | None = None


class AlarmCount(msgspec.Struct, frozen=True, kw_only=True):
    """Alarms of the time in which a drum was wound, and how many of them are unacknowledged."""

    raised: int
    not_answered: int


class AlarmAnswer(msgspec.Struct, frozen=True, kw_only=True):
    """A person's response to an alarm."""

    alarm: str
    event: str
    by: str
    reason: str | None
    t_ms: int


class DrumEvidence(msgspec.Struct, frozen=True, kw_only=True):
    """Data of the metres of one drum, of those that are in the drum of the record.

    `label` is its name, with line and filling where the name is there twice. `seen_share` is 0 to 1 by stream.
    """

    drum: str
    filling: int
    label: str
    line: str
    line_title: str
    recipe: str | None
    revision: int | None
    start_m: float
    end_m: float
    begun_ms: int
    seen_share: dict[str, float]
    cure_known: bool
    statistics: dict[str, Statistics | None]
    spark_tests: list[SparkTest]
    alarms: AlarmCount
    answers: list[AlarmAnswer]
    journal_last_hash: str | None


class FindingOnDrum(msgspec.Struct, frozen=True, kw_only=True):
    """A finding worse than conforming; without an end it is still open."""

    kind: FindingKind
    stream: str
    check: str
    verdict: str
    start_m: float
    end_m: float | None


class InheritedMetres(msgspec.Struct, frozen=True, kw_only=True):
    """Metres in which bad metres of an earlier drum lie; `of_start_m` to `of_end_m` count on that one."""

    start_m: float
    end_m: float
    verdict: str
    drum: str
    line: str
    filling: int
    label: str
    of_start_m: float
    of_end_m: float


class RelatedDrum(msgspec.Struct, frozen=True, kw_only=True):
    """A drum that shares metres; before it in the process where `generation` is negative. None: not wound here."""

    drum: str
    filling: int | None
    label: str
    line: str | None
    generation: int
    start_m: float
    end_m: float


class WithoutOrigin(msgspec.Struct, frozen=True, kw_only=True):
    """Metres into which cable of no drum on record went, and why."""

    start_m: float
    end_m: float
    pay_off: str
    why: str


class IntegrityTest(msgspec.Struct, frozen=True, kw_only=True):
    """The circuit integrity test of one specimen: how long the circuit held, and the class it was tested to."""

    drum: str
    filling: int
    line: str
    standard: str
    ignition_ms: int | None
    ended_ms: int | None
    said: str
    failed: bool
    held_s: float | None
    class_min: int | None
    departures: list[str]


class Resistance(msgspec.Struct, frozen=True, kw_only=True):
    """The newest measurement of the conductor's resistance, corrected to 20 degC, and the most that is allowed."""

    ohm_per_km_at_20_C: float
    most: float | None
    by: str | None
    reason: str | None
    measured: str | None
    t_ms: int
    verdict: str


class Decision(msgspec.Struct, frozen=True, kw_only=True):
    """A signed decision."""

    decision: str
    by: str | None
    reason: str | None
    t_ms: int


class ReleaseRecord(msgspec.Struct, frozen=True, kw_only=True):
    """All that is on record of a drum or a reel, its ancestry with it; `against` is the reasons against release.

    `filling_of_drum` is which filling of how many of this drum's name; `metres` are lengths by verdict, with what is
    inherited; `evidence` holds the drum itself and every earlier one wound here.
    """

    drum: str
    filling: int
    filling_of_drum: tuple[int, int]
    line: str
    line_title: str
    recipe: str | None
    revision: int | None
    revisions: str
    length_m: float
    begun_ms: int
    ended_ms: int | None
    start_line_metre: float
    end_line_metre: float | None
    metres: dict[str, float]
    evidence: list[DrumEvidence]
    findings: list[FindingOnDrum]
    inherited: list[InheritedMetres]
    ancestry: list[RelatedDrum]
    went_into: list[RelatedDrum]
    without_origin: list[WithoutOrigin]
    integrity: IntegrityTest | None
    integrity_tests: list[IntegrityTest]
    resistance: Resistance | None
    decisions: list[Decision]
    journal_last_hash: str | None
    proposed: str
    against: list[str]
