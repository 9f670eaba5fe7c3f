"""Scores events against the ground truth: each true happening wants exactly one event that is of nothing else."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.record import LineEvent
from simulator.truth import Spark, TrueStretch, Truth

PLACE_M = 5.0  # between wall deviations of one thick or thin place, and of a place from its event
FAULTS_M = 25.0  # between faults of one cluster
MARKS_M = 100.0  # between marks of one rotating part
VALUE_S = 60.0  # between excursions of one value
ZONE_S = 120.0  # of a zone, which swings back
LATE_S = 15.0  # an event may begin by this much later than its happening: delays of alarms
RUN_ENDS_S = 2.0

T = TypeVar("T")


@dataclass(slots=True, kw_only=True)
class Happening:
    """What truly happened, on metres of cable and in a time (UTC s), and which kinds of event it may be known as.

    `sure`: it must be found; what is near a limit or of no consequence may be.
    """

    what: str
    kinds: tuple[str, ...]
    start_m: float
    end_m: float
    start_s: float
    end_s: float
    by_metre: bool
    sure: bool = True

    def is_known_as(self, event: LineEvent) -> bool:
        """Whether an event may be this happening."""
        if event.kind not in self.kinds:
            return False
        if not self.by_metre:
            end_s = float("inf") if event.end_s is None else event.end_s
            return event.start_s <= self.end_s + LATE_S and end_s >= self.start_s
        if event.start_m is None or event.end_m is None:
            return False
        return event.start_m <= self.end_m + PLACE_M and event.end_m >= self.start_m - PLACE_M


@dataclass(slots=True, kw_only=True)
class EventMark:
    """Happenings that wanted an event, and those with exactly one of their own; the others in words.

    `split`: with more than one. `hidden`: in an event together with another. `false`: events that are of nothing.
    """

    true: int = 0
    found: int = 0
    missed: list[str] = field(default_factory=list)
    split: list[str] = field(default_factory=list)
    hidden: list[str] = field(default_factory=list)
    false: list[str] = field(default_factory=list)

    @property
    def good(self) -> bool:
        return not (self.missed or self.split or self.hidden or self.false)


def mark_events(truth: Truth, events: Iterable[LineEvent], line: Line, recipe: Recipe) -> EventMark:
    """Compare a line's truth with its events, of which the newest form of each counts."""
    over_s = (truth.start_ms / 1e3) + truth.until_s - RUN_ENDS_S  # after that every gauge is silent
    newest = [e for e in {e.event: e for e in events if e.line == truth.line}.values() if e.start_s < over_s]
    true = list(happenings(truth, line, recipe))
    of_event = {e.event: [h for h in true if h.is_known_as(e)] for e in newest}
    result = EventMark()
    for happening in true:
        mine = [e for e in newest if happening.is_known_as(e)]
        if not mine and not happening.sure:
            continue
        result.true += 1
        shared = [h.what for e in mine for h in of_event[e.event] if h is not happening]
        if not mine:
            result.missed.append(happening.what)
        elif len(mine) > 1:
            result.split.append(f"{happening.what}: {', '.join(e.event for e in mine)}")
        elif shared:
            result.hidden.append(f"{happening.what}: with {', '.join(shared)}")
        else:
            result.found += 1
    result.false = [f"{e.kind} {e.event} at {e.start_m} m" for e in newest if not of_event[e.event]]
    return result


def happenings(truth: Truth, line: Line, recipe: Recipe) -> Iterator[Happening]:
    """What truly happened on a line, each once, whatever gauges and limits saw of it."""
    begun_s = truth.start_ms / 1e3
    stopped = list(_stops(truth, line, recipe))
    yield from stopped
    yield from _faults(truth, recipe)
    yield from _places(truth, begun_s)
    for stretches in _values(truth, line):
        one = _of_stretches(stretches, line, begun_s)
        if not any(_is_of_stop(one, stop) for stop in stopped):
            yield one
    for fault in truth.counter:
        yield Happening(
            what=f"counter {fault.kind} at {fault.t_s:.0f} s", kinds=("instrument",), start_m=0.0, end_m=0.0,
            start_s=begun_s + fault.t_s, end_s=begun_s + fault.t_s + LATE_S, by_metre=False,
        )  # fmt: skip


def _stops(truth: Truth, line: Line, recipe: Recipe) -> Iterator[Happening]:
    """From leaving "running" to coming back to it; of consequence where dwell times or cure are judged."""
    begun_s, start, stood = truth.start_ms / 1e3, None, False
    for state in truth.states:
        if state.state != "running":
            start, stood = start or state, stood or state.state == "stopped"
        elif start is not None:
            if stood:
                yield Happening(
                    what=f"stop at {start.t_s:.0f} s", kinds=("stop",), start_m=0.0, end_m=0.0,
                    start_s=begun_s + start.t_s, end_s=begun_s + state.t_s, by_metre=False,
                    sure=bool(recipe.cure or recipe.dwell) and start.t_s > 0.0,
                )  # fmt: skip
            start, stood = None, False


def _is_of_stop(one: Happening, stop: Happening) -> bool:
    """The speed on the way out of a stop is part of it."""
    return one.kinds[0] in ("slow-line",) and stop.start_s <= one.start_s <= stop.end_s + VALUE_S


def _faults(truth: Truth, recipe: Recipe) -> Iterator[Happening]:
    """Single faults, clusters, and the marks of a part; what only tells of something is none."""
    checked = {c.stream.split("/")[1] for c in recipe.event_check}
    causes = sorted({s.cause for s in truth.sparks})
    for cause in causes:
        mine = sorted((s for s in truth.sparks if s.cause == cause), key=lambda s: s.metre)
        kinds = ("tape-break",) if cause == "tape-break" else ("other",) if cause in checked else ("insulation-fault",)
        apart_m = 0.0 if cause == "random" else FAULTS_M if cause == "cluster" else MARKS_M
        for group in _groups(mine, lambda s: (s.metre, s.metre), apart_m):
            yield _of_sparks(group, kinds, truth.start_ms / 1e3)


def _of_sparks(group: Sequence[Spark], kinds: tuple[str, ...], begun_s: float) -> Happening:
    first, last = group[0], group[-1]
    return Happening(
        what=f"{len(group)} of {first.cause} at {first.metre:.1f}-{last.metre:.1f} m", kinds=kinds,
        start_m=first.metre, end_m=last.metre, start_s=begun_s + first.t_s, end_s=begun_s + last.t_s, by_metre=True,
    )  # fmt: skip


def _places(truth: Truth, begun_s: float) -> Iterator[Happening]:
    for kind, side in (("thick-place", "HI"), ("thin-place", "LO")):
        mine = [b for b in truth.beyond if _quantity(b).startswith("diameter") and b.check.startswith(side)]
        for group in _groups(mine, lambda b: (b.start_m, b.clear_m), PLACE_M):
            yield Happening(
                what=f"{kind} at {group[0].start_m:.1f} m", kinds=(kind,), start_m=group[0].start_m,
                end_m=max(b.clear_m for b in group), start_s=begun_s + group[0].start_s,
                end_s=begun_s + max(b.clear_s for b in group), by_metre=True,
                sure=any(b.sure_m is not None for b in group),
            )  # fmt: skip


def _values(truth: Truth, line: Line) -> Iterator[list[TrueStretch]]:
    """Excursions of values that are no diameters, and instruments in trouble, each group one happening."""
    found: dict[tuple[str, str], list[TrueStretch]] = {}
    for b in truth.beyond:
        if not _quantity(b).startswith("diameter"):
            side = "" if _quantity(b) == "temperature" else b.check[:2]
            found.setdefault((b.stream, side), []).append(b)
    for mine in found.values():
        apart_s = ZONE_S if _quantity(mine[0]) == "temperature" else VALUE_S
        yield from _groups(mine, lambda b: (b.start_s, b.clear_s), apart_s)
    yield from _troubles(truth, line)


def _troubles(truth: Truth, line: Line) -> Iterator[list[TrueStretch]]:
    """Instruments in trouble for long enough to be noticed; all passes of a zone are one."""
    for stream, check in sorted({(t.stream, t.check) for t in truth.troubles}):
        settings = line.streams[stream]
        after_s = settings.stuck_after_s if check == "stick" else settings.missing_after_s
        mine = [t for t in truth.troubles if (t.stream, t.check) == (stream, check)]
        for group in _groups(mine, lambda t: (t.start_s, t.end_s), 0.0):
            if check == "drift" or (after_s is not None and group[0].end_s - group[0].start_s > after_s + 1.0):
                yield group


def _of_stretches(group: Sequence[TrueStretch], line: Line, begun_s: float) -> Happening:
    first = group[0]
    if first.check in ("drop-out", "bad", "stick"):
        kinds: tuple[str, ...] = ("instrument",)
    elif first.check == "drift":
        kinds = (
            ("thick-place", "thin-place") if _quantity(first).startswith("diameter") else ("zone-excursion", "other")
        )
    elif _quantity(first) == "temperature":
        kinds = ("zone-excursion",)
    elif first.stream == line.counter.speed:
        kinds = ("slow-line",) if first.check.startswith("LO") else ("fast-line",)
    else:
        kinds = ("other",)
    instrument = kinds == ("instrument",)
    return Happening(
        what=f"{first.stream} {first.check} at {first.start_s:.0f} s", kinds=kinds, start_m=first.start_m,
        end_m=max(b.clear_m for b in group), start_s=begun_s + first.start_s,
        end_s=begun_s + max(b.clear_s for b in group), by_metre=False,
        sure=instrument or any(b.sure_m is not None and b.end_s - b.start_s > VALUE_S / 4 for b in group),
    )  # fmt: skip


def _quantity(stretch: TrueStretch) -> str:
    return stretch.stream.split("/")[1]


def _groups(items: Iterable[T], span: Callable[[T], tuple[float, float]], apart: float) -> Iterator[list[T]]:
    """Items in order, together as long as one begins at most so far beyond the end of those before it."""
    group: list[T] = []
    reach = float("-inf")
    for item in sorted(items, key=span):
        start, end = span(item)
        if group and start > reach + apart:
            yield group
            group = []
        group.append(item)
        reach = max(reach, end) if len(group) > 1 else end
    if group:
        yield group
