"""Rehearse: recorded messages run through the engine twice, with the limits there were and with others, and compared.

The engine is the live monitor's own; with unchanged limits it gives the alarms of the record.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from monitor.analysis.activations import Activation, of_changes
from monitor.contract.config.limits import Changes
from monitor.contract.messages import LimitsStep
from monitor.contract.number_format import fixed, significant
from monitor.contract.record import AlarmChange, Finding, FindingKind, Output, Verdict
from monitor.core.arrival import LineArrival, Message

KNOWN_BAD = (FindingKind.FAULT, FindingKind.MARK)  # certain without any limit


class CancelledError(Exception):
    """The run was cancelled."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What to rehearse: a line, a span in UTC ms, changes by recipe, and whether cure is computed."""

    line: str
    start_ms: int
    end_ms: int
    changes: Mapping[str, Changes]
    with_cure: bool = True
    more_lines: tuple[str, ...] = ()
    known: tuple[tuple[str, "Fault"], ...] | None = None  # (line, fault) given instead of the record's own
    stream: str | None = None  # this stream's window alone, without the engine around it: for months

    @property
    def lines(self) -> tuple[str, ...]:
        """Every line that is rehearsed, each once."""
        return tuple(dict.fromkeys((self.line, *self.more_lines)))

    def known_on(self, line: str) -> "list[Fault] | None":
        return None if self.known is None else [fault for of, fault in self.known if of == line]


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedLimit:
    """The limit to suggest a deadband and a delay for: `STATION/QUANTITY/HI` of a line, from a span in UTC ms.

    `recipe` names whose limit it is; None is the first recipe of the line that has it.
    """

    line: str
    limit: str
    start_ms: int
    end_ms: int
    most_per_shift: float
    recipe: str | None = None


@dataclass(frozen=True, slots=True)
class Fault:
    """Known bad cable, line metres, and its source."""

    start_m: float
    end_m: float
    of: str


@dataclass(slots=True)
class Kept:
    """Alarms and findings among an engine's outputs."""

    changes: list[AlarmChange] = field(default_factory=list)
    findings: dict[str, Finding] = field(default_factory=dict)

    def add(self, outputs: Iterable[Output]) -> None:
        """Outputs in their order."""
        for o in outputs:
            if isinstance(o, AlarmChange):
                self.changes.append(o)
            elif isinstance(o, Finding):
                self.findings[o.key] = o

    def side(self, start_s: float, end_s: float) -> "Side":
        """What was raised and found in a span."""
        raised = [r for r in of_changes(self.changes) if start_s <= r.t_s < end_s]
        found = [f for f in self.findings.values() if f.start_s < end_s and (f.end_s is None or f.end_s >= start_s)]
        return Side(tuple(raised), tuple(found))


def without_changes(arrivals: Sequence[LineArrival]) -> list[LineArrival]:
    """Arrivals without the changes of limits: other limits are rehearsed instead of those that were approved."""
    return [a for a in arrivals if not (isinstance(a, Message) and isinstance(a.body, LimitsStep))]


@dataclass(frozen=True, slots=True)
class Side:
    """Alarms and findings with one set of limits."""

    raised: tuple[Activation, ...]
    findings: tuple[Finding, ...]

    @property
    def faults(self) -> list[Fault]:
        """Bad cable on this record: spark faults and metres that a person marked."""
        known = [f for f in self.findings if f.kind in KNOWN_BAD and f.verdict > Verdict.CONFORMING]
        return [Fault(f.start_m, f.end_m if f.end_m is not None else f.start_m, f.kind) for f in known]

    def with_cure_of(self, other: "Side") -> "Side":
        """This side with the other's alarms and findings of the cure."""
        raised = [*self.raised, *(r for r in other.raised if r.alarm.startswith("cure/"))]
        found = [*self.findings, *(f for f in other.findings if f.kind is FindingKind.CURE)]
        return Side(tuple(sorted(raised, key=lambda r: r.t_s)), tuple(found))

    def bad_m(self, length_m: float = float("inf")) -> float:
        """Metres covered by any finding, each once."""
        found = [f for f in self.findings if f.verdict]
        spans = sorted((f.line, f.start_m, f.start_m if f.end_m is None else f.end_m) for f in found)
        total, reach, on = 0.0, float("-inf"), ""
        for line, start, end in spans:
            reach, on = (reach if line == on else float("-inf")), line
            total += max(0.0, end - max(start, reach))
            reach = max(reach, end)
        return min(total, length_m)


@dataclass(frozen=True, slots=True)
class Caught:
    """When each side detected a known fault other than by the fault's own event; None where it did not."""

    fault: Fault
    before_s: float | None
    after_s: float | None

    @property
    def word(self) -> str:
        """earlier, later, the same, newly caught, missed now, or not detected by any other alarm."""
        a, b = self.before_s, self.after_s
        if a is None or b is None:
            if a is None and b is None:
                return "not detected by any other alarm"
            return "newly caught" if a is None else "missed now"
        return "the same" if abs(a - b) < 1e-6 else "earlier" if b < a else "later"


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """An alarm on both sides: how often each, and the time differences of paired activations [s]."""

    alarm: str
    before: int
    after: int
    only_before: int
    only_after: int
    moved_s: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two sides side by side."""

    before: Side
    after: Side
    alarms: tuple[Moved, ...]
    caught: tuple[Caught, ...]
    known_ms: tuple[int, int] | None = None  # from when until when there was anything on record

    def span_ms(self, asked: Asked) -> tuple[int, int]:
        """The requested span as far as it is recorded: rates refer to it."""
        if self.known_ms is None:
            return asked.start_ms, asked.end_ms
        start = max(asked.start_ms, self.known_ms[0])
        return start, max(min(asked.end_ms, self.known_ms[1]), start + 1000)


def compare(before: Side, after: Side, faults: Sequence[Fault] | None = None, reach_m: float = 5.0) -> Comparison:
    """What changed by alarm, and when each side detected known faults (those of `before`, unless given).

    A finding detects a fault if it overlaps it within `reach_m` metres.
    """
    names = sorted({r.alarm for r in (*before.raised, *after.raised)})
    known = before.faults if faults is None else faults
    caught = [Caught(f, _detected_s(before, f, reach_m), _detected_s(after, f, reach_m)) for f in known]
    return Comparison(
        before=before, after=after, alarms=tuple(_moved(name, before, after) for name in names), caught=tuple(caught)
    )


def _moved(alarm: str, before: Side, after: Side) -> Moved:
    """Activations are paired where their intervals overlap; each is used once, in order."""
    a = [r for r in before.raised if r.alarm == alarm]
    b = [r for r in after.raised if r.alarm == alarm]
    moved, used = [], 0
    paired_a = 0
    for one in a:
        while used < len(b) and b[used].end_s is not None and b[used].end_s < one.t_s:  # type: ignore[operator]
            used += 1
        if used < len(b) and (one.end_s is None or b[used].t_s <= one.end_s):
            moved.append(b[used].t_s - one.t_s)
            used += 1
            paired_a += 1
    return Moved(
        alarm=alarm,
        before=len(a),
        after=len(b),
        only_before=len(a) - paired_a,
        only_after=len(b) - paired_a,
        moved_s=tuple(moved),
    )


def _detected_s(side: Side, fault: Fault, reach_m: float) -> float | None:
    starts = [
        f.start_s
        for f in side.findings
        if f.kind not in KNOWN_BAD
        and f.verdict > Verdict.CONFORMING
        and f.start_m <= fault.end_m + reach_m
        and (f.end_m is None or f.end_m >= fault.start_m - reach_m)
    ]
    return min(starts, default=None)


def together(by_line: Mapping[str, Comparison]) -> Comparison:
    """Comparisons of several lines as one; with more than one line its name precedes each alarm."""
    if len(by_line) == 1:
        return next(iter(by_line.values()))
    sides = [
        Side(
            tuple(sorted((r for c in by_line.values() for r in getattr(c, name).raised), key=lambda r: r.t_s)),
            tuple(f for c in by_line.values() for f in getattr(c, name).findings),
        )
        for name in ("before", "after")
    ]
    moved = tuple(replace(m, alarm=f"{line}/{m.alarm}") for line, c in by_line.items() for m in c.alarms)
    known = [c.known_ms for c in by_line.values() if c.known_ms]
    span = (min(a for a, _ in known), max(b for _, b in known)) if known else None
    return Comparison(
        before=sides[0],
        after=sides[1],
        alarms=moved,
        caught=tuple(x for c in by_line.values() for x in c.caught),
        known_ms=span,
    )


def in_words(c: Comparison, shifts: float) -> str:
    """One paragraph for a proposal: alarms a shift, metres, known faults."""
    before, after = (significant(len(side.raised) / shifts) for side in (c.before, c.after))
    parts = [
        f"{before} alarms per shift become {after}",
        f"{fixed(c.before.bad_m(), 0)} m with findings become {fixed(c.after.bad_m(), 0)} m",
    ]
    if c.caught:
        tally: dict[str, int] = {}
        for one in c.caught:
            tally[one.word] = tally.get(one.word, 0) + 1
        parts.append(f"of {len(c.caught)} known faults " + ", ".join(f"{n} {word}" for word, n in tally.items()))
    return "; ".join(parts) + "."
