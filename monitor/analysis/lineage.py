"""Lineage of a drum from the record: what was put on where, composed to spans of metres, as far as there are any.

What a line reports of a pay-off is a drum's name; which filling that was follows from when it was put on.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from monitor.analysis.ancestry import HOLE_M, Family, Made, PutOn, Span, orphaned, spans_of
from monitor.analysis.pay_off import put_on_at
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.recipe import Recipe
from monitor.contract.reading import DrumRow, Record
from monitor.contract.record import FillingKey, Splice, bought_in
from monitor.physics.winding import lay_factor, pitch_diameter_ratios


def taken(recipe: Recipe | None, pay_off: str) -> float:
    """Metres paid off at one place that go into a metre of product: the lay factor where cores are laid up, else 1.

    The centre of a core runs on a helix around the cable's, on the pitch circle of its own layer.
    """
    if recipe is None or recipe.laying_up is None:
        return 1.0
    up = recipe.laying_up
    return lay_factor(up.core_diameter_mm * pitch_diameter_ratios(up.cores)[up.layer_of(pay_off)], up.lay_mm)


NEAR_M = 20_000.0  # cable of a line so near to each other is read in one pass


def stretches(intervals: Iterable[tuple[str, float, float]]) -> Iterator[tuple[str, float, float]]:
    """Intervals (line, start, end) of line metre, those of a line that lie near each other joined."""
    joined: tuple[str, float, float] | None = None
    for line, start_m, end_m in sorted(intervals):
        if joined is not None and line == joined[0] and start_m <= joined[2] + NEAR_M:
            joined = line, joined[1], max(joined[2], end_m)
            continue
        if joined is not None:
            yield joined
        joined = line, start_m, end_m
    if joined is not None:
        yield joined


def _reach(drum: DrumRow) -> tuple[float, float]:
    return drum.start_m, float("inf") if drum.end_m is None else drum.end_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Orphan:
    """Metres of a drum into which cable of no drum on record went at a pay-off, and why that is so."""

    start_m: float
    end_m: float
    pay_off: str
    why: str


@dataclass(kw_only=True)
class Lineage:
    """Families of drums, read from the record on request. `recipe_of` gives a drum's recipe.

    `drums` are those met so far.
    """

    record: Record
    configuration: Configuration
    recipe_of: Callable[[DrumRow], Recipe | None]
    drums: dict[FillingKey, DrumRow | None] = field(default_factory=dict)
    _named: dict[str, Sequence[DrumRow]] = field(default_factory=dict)
    _parents: dict[FillingKey, list[Span]] = field(default_factory=dict)
    _children: dict[FillingKey, list[Span]] = field(default_factory=dict)

    def family(self, drum: DrumRow, *, forward: bool = True) -> Family:
        """Everything that is in a drum and, with `forward`, everything that it is in."""
        self.drums[drum.key] = drum
        spans = self._walk(drum.key, self.parents, lambda s: s.parent)
        if forward:
            spans |= self._walk(drum.key, self.children, lambda s: s.child)
        return Family(spans)

    def _walk(
        self, first: FillingKey, of: Callable[[FillingKey], list[Span]], to: Callable[[Span], FillingKey]
    ) -> dict[Span, None]:
        found: dict[Span, None] = {}
        waiting, seen = [first], {first}
        while waiting:
            for span in of(waiting.pop()):
                found[span] = None
                if to(span) not in seen:
                    seen.add(to(span))
                    waiting.append(to(span))
        return found

    def parents(self, key: FillingKey) -> list[Span]:
        """Spans that went into a drum, along it."""
        if key not in self._parents:
            drum = self.drum(key)
            self._parents[key] = [s for s in self._on_line(drum) if s.child == key] if drum else []
        return self._parents[key]

    def gather(self, drums: Iterable[DrumRow]) -> None:
        """Read what went into drums, one generation after another: few queries a line, however many drums there are."""
        self.drums |= {d.key: d for d in drums}
        level = {d.key: d for d in drums if d.key not in self._parents}
        while level:
            found: set[FillingKey] = set()
            for line, start_m, end_m in stretches((d.line, *_reach(d)) for d in level.values()):
                spans = self._spans(line, start_m, end_m)
                for key in [k for k, d in level.items() if d.line == line and start_m <= d.start_m < end_m]:
                    self._parents[key] = [s for s in spans if s.child == key]
                    found |= {s.parent for s in self._parents[key]}
            rows = (self.drum(key) for key in found if key not in self._parents)
            level = {d.key: d for d in rows if d is not None}

    def children(self, key: FillingKey) -> list[Span]:
        """Spans that a drum went into, in the order in which they were made."""
        if key not in self._children:
            drum = self.drum(key)
            whole_m = self._length_m(drum) if drum else None
            found: dict[Span, None] = {}
            for splice in self.record.splices_of(key.drum):
                if self.meant_by(splice) == key:
                    most = next((m for m in (splice.left_m, whole_m) if m is not None), 0.0)
                    reach = (splice.line_metre, splice.line_metre + most)
                    found |= dict.fromkeys(s for s in self._spans(splice.line, *reach) if s.parent == key)
            self._children[key] = list(found)
        return self._children[key]

    def without_parent(self, drum: DrumRow) -> list[Orphan]:
        """Where on a drum what went in at a pay-off is not on record, in order, and why."""
        return [
            Orphan(start_m=a, end_m=b, pay_off=at, why=self._why_orphaned(drum.line, at, drum.start_m + a))
            for a, b, at in self.holes(drum)
        ]

    def holes(self, drum: DrumRow) -> list[tuple[float, float, str]]:
        """The same as (start, end, pay-off), without the reasons, each of which takes a query."""
        line = self.configuration.lines.get(drum.line)
        return orphaned(self.parents(drum.key), line.pay_off if line else [], self._length_m(drum) or 0.0)

    def drum(self, key: FillingKey) -> DrumRow | None:
        """The drum of a key, None for one that was not wound here."""
        if key not in self.drums:
            self.drums[key] = self.record.drum(key.line, key.filling) if key.wound_here else None
        return self.drums[key]

    def meant_by(self, splice: Splice) -> FillingKey | None:
        """The drum that was put on; None where the record does not show which of its name that was."""
        self._read_named({splice.drum})
        named = self._named[splice.drum]
        if not named:
            return bought_in(splice.drum)
        found = put_on_at(named, round(splice.t_s * 1e3))
        return found.key if found else None

    # ---- inside ------------------------------------------------------------------------------------------

    def _read_named(self, names: set[str]) -> None:
        """The fillings of names not seen before."""
        unknown = sorted(names - self._named.keys())
        if unknown:
            rows = self.record.drums_named(*unknown)
            self.drums |= {d.key: d for d in rows}
            self._named |= {name: [d for d in rows if d.drum == name] for name in unknown}

    def _why_orphaned(self, line: str, pay_off: str, line_metre: float) -> str:
        """Why no drum is known for the cable that went in at a pay-off from a line metre on."""
        at = line_metre + HOLE_M
        near = self.record.splices(line, at, at + HOLE_M)
        put_on = [s for s in near if s.position == pay_off and s.line_metre <= at]
        if not put_on:
            return "no drum was reported there"
        newest = put_on[-1]
        if self.meant_by(newest) is not None:
            return f"drum {newest.drum} has no more cable recorded"
        ended = [d for d in self._named[newest.drum] if d.end_ms is not None and d.end_ms <= newest.t_s * 1e3]
        if not ended:
            return f"no drum {newest.drum} was finished when it was put on"
        return f"two lines had a drum {newest.drum} at one time, and which of them was put on is not known"

    def _length_m(self, drum: DrumRow) -> float | None:
        return None if drum.end_m is None else drum.end_m - drum.start_m

    def _on_line(self, drum: DrumRow) -> list[Span]:
        return self._spans(drum.line, *_reach(drum))

    def _spans(self, line: str, start_m: float, end_m: float) -> list[Span]:
        """Spans of a line over an interval of its metres, from where the first that reaches it was put on."""
        splices = self.record.splices(line, start_m, end_m)
        if not splices:
            return []
        self._read_named({s.drum for s in splices})
        first = min([start_m, *(s.line_metre for s in splices)])
        made = [self._made(d, {s.position for s in splices}) for d in self.record.drums_between(line, first, end_m)]
        return spans_of([self._put_on(s) for s in splices], made)

    def _made(self, drum: DrumRow, pay_offs: Collection[str]) -> Made:
        recipe, end_m = self.recipe_of(drum), float("inf") if drum.end_m is None else drum.end_m
        return Made(drum.key, drum.start_m, end_m, {pay_off: taken(recipe, pay_off) for pay_off in pay_offs})

    def _put_on(self, splice: Splice) -> PutOn:
        key = self.meant_by(splice)
        drum = self.drum(key) if key else None
        left = splice.left_m if splice.left_m is not None else self._length_m(drum) if drum else None
        return PutOn(splice.position, key, splice.line_metre, left)
