"""Which metres of which earlier drums are in this metre: spans of cable from parent to child, composed exactly.

A drum unwinds from its outer end, so metres reverse at every process; laying-up takes more core than cable.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from monitor.contract.record import Splice

EXACT_M = 1e-9
HOLE_M = 0.1  # what is shorter is the counter, no cable


@dataclass(frozen=True, slots=True)
class Span:
    """Cable of `parent` that went into `child`, as metres of each drum in its own wound order.

    Going on along the child, the parent is met backwards: `parent_end_m` went in first, at `child_start_m`, at the
    pay-off `position`.
    """

    parent: str
    parent_start_m: float
    parent_end_m: float
    child: str
    child_start_m: float
    child_end_m: float
    position: str = ""

    def __post_init__(self) -> None:
        if not (self.parent_start_m < self.parent_end_m and self.child_start_m < self.child_end_m):
            raise ValueError(f"a span has a length on both drums, got {self}")

    @property
    def taken(self) -> float:
        """Metres of the parent on a metre of the child: the lay factor, or 1."""
        return (self.parent_end_m - self.parent_start_m) / (self.child_end_m - self.child_start_m)

    def down(self, parent_m: float) -> float:
        """The child's metre in which a metre of the parent is."""
        return self.child_start_m + (self.parent_end_m - parent_m) / self.taken

    def up(self, child_m: float) -> float:
        """The parent's metre that is in a metre of the child."""
        return self.parent_end_m - (child_m - self.child_start_m) * self.taken


@dataclass(frozen=True, slots=True)
class Piece:
    """An interval of a drum; `reversed_` says whether it runs against the drum that was asked about."""

    drum: str
    start_m: float
    end_m: float
    reversed_: bool
    generation: int


class Family:
    """All spans of a works, asked forwards and back."""

    def __init__(self, spans: Iterable[Span]) -> None:
        self.spans = list(spans)
        self._of_child: dict[str, list[Span]] = {}
        self._of_parent: dict[str, list[Span]] = {}
        for span in self.spans:
            self._of_child.setdefault(span.child, []).append(span)
            self._of_parent.setdefault(span.parent, []).append(span)

    def parents(self, drum: str) -> Sequence[Span]:
        """Spans that went into a drum, along it."""
        return sorted(self._of_child.get(drum, ()), key=lambda s: (s.child_start_m, s.parent))

    def children(self, drum: str) -> Sequence[Span]:
        """Spans that a drum went into, along it."""
        return sorted(self._of_parent.get(drum, ()), key=lambda s: (s.parent_start_m, s.child))

    def back(self, drum: str, start_m: float, end_m: float) -> list[Piece]:
        """Every interval of earlier drums that is in an interval of this one, nearest generation first."""
        return list(self._walk(Piece(drum, start_m, end_m, False, 0), back=True))

    def forward(self, drum: str, start_m: float, end_m: float) -> list[Piece]:
        """Every interval of later drums that holds an interval of this one, nearest generation first."""
        return list(self._walk(Piece(drum, start_m, end_m, False, 0), back=False))

    def _walk(self, first: Piece, back: bool) -> Iterator[Piece]:
        waiting, seen = [first], 0
        while seen < len(waiting):
            piece = waiting[seen]
            seen += 1
            if piece.generation > len(self.spans):
                raise ValueError(f"drum {piece.drum} is its own ancestor: the splices on record contradict each other")
            for span in self.parents(piece.drum) if back else self.children(piece.drum):
                found = _up(piece, span) if back else _down(piece, span)
                if found is not None:
                    waiting.append(found)
                    yield found


def _up(piece: Piece, span: Span) -> Piece | None:
    a, b = max(piece.start_m, span.child_start_m), min(piece.end_m, span.child_end_m)
    if b - a <= EXACT_M:
        return None
    return Piece(span.parent, span.up(b), span.up(a), not piece.reversed_, piece.generation + 1)


def _down(piece: Piece, span: Span) -> Piece | None:
    a, b = max(piece.start_m, span.parent_start_m), min(piece.end_m, span.parent_end_m)
    if b - a <= EXACT_M:
        return None
    return Piece(span.child, span.down(b), span.down(a), not piece.reversed_, piece.generation + 1)


@dataclass(frozen=True, slots=True)
class Made:
    """A drum that a line wound, in line metres.

    `taken` by pay-off: metres paid off there that went into a metre of it; 1 at a pay-off that it does not name.
    """

    drum: str
    start_m: float
    end_m: float
    taken: Mapping[str, float] = field(default_factory=dict)


def spans_of(splices: Sequence[Splice], made: Sequence[Made], lengths: Mapping[str, float]) -> list[Span]:
    """Spans from what was put on at the pay-offs of one line and what it wound, both with all that lies between.

    Each pay-off is a run of drums after each other; a drum is met from its outer end inwards. `lengths` [m] are those
    of drums put on whole. A drum that ran out before its successor began leaves cable without a parent there, and so
    does one whose length is not known.
    """
    along = sorted(made, key=lambda m: m.start_m)
    found: list[Span] = []
    for position in dict.fromkeys(s.position for s in splices):
        run = sorted((s for s in splices if s.position == position), key=lambda s: s.line_metre)
        for i, splice in enumerate(run):
            until = run[i + 1].line_metre if i + 1 < len(run) else math.inf
            left = splice.left_m if splice.left_m is not None else lengths.get(splice.drum)
            if left is not None:
                found += _laid(splice, left, until, along)
    return found


def _laid(splice: Splice, left: float, until: float, along: Sequence[Made]) -> Iterator[Span]:
    at = splice.line_metre
    for drum in along:
        taken = drum.taken.get(splice.position, 1.0)
        if drum.end_m <= at or left <= EXACT_M or drum.start_m >= until:
            continue
        left -= max(drum.start_m - at, 0.0) * taken  # cable on no drum
        a = max(at, drum.start_m)
        b = min(drum.end_m, until, a + left / taken)
        if b - a > EXACT_M:
            inner = max(left - (b - a) * taken, 0.0)
            yield Span(splice.drum, inner, left, drum.drum, a - drum.start_m, b - drum.start_m, splice.position)
            left, at = inner, b


def orphaned(spans: Sequence[Span], positions: Sequence[str], length_m: float) -> list[tuple[float, float, str]]:
    """Where on a drum of `length_m` what went in at a pay-off is not on record: (start, end, position), in order."""
    found = []
    for position in positions:
        at = 0.0
        for span in sorted((s for s in spans if s.position == position), key=lambda s: s.child_start_m):
            if span.child_start_m - at > HOLE_M:
                found.append((at, span.child_start_m, position))
            at = max(at, span.child_end_m)
        if length_m - at > HOLE_M:
            found.append((at, length_m, position))
    return sorted(found)


def inherited(family: Family, drum: str, bad: Sequence[tuple[str, float, float]]) -> list[tuple[float, float, str]]:
    """Where bad intervals of earlier drums (drum, start, end) lie on a later one: (start, end, whose), in order."""
    found = [
        (piece.start_m, piece.end_m, of)
        for of, start, end in bad
        for piece in family.forward(of, start, end)
        if piece.drum == drum
    ]
    return sorted(found)
