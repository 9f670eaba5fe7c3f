"""Which metres of which earlier drums are in this metre: spans of cable from parent to child, composed exactly.

A drum unwinds from its outer end, so metres reverse at every process; laying-up takes more core than cable.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

EXACT_M = 1e-9


@dataclass(frozen=True, slots=True)
class Span:
    """Cable of `parent` that went into `child`, as metres of each drum in its own wound order.

    Going on along the child, the parent is met backwards: `parent_end_m` went in first, at `child_start_m`.
    """

    parent: str
    parent_start_m: float
    parent_end_m: float
    child: str
    child_start_m: float
    child_end_m: float

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
class Splice:
    """On a line a drum begins to be paid off: from `line_metre` (at the pay-off's splice) on it is `drum`.

    `left_m` is how much of it there is on that pay-off, to its inner end; `position` names the pay-off.
    """

    position: str
    drum: str
    line_metre: float
    left_m: float


@dataclass(frozen=True, slots=True)
class Made:
    """A drum that a line wound, in line metres."""

    drum: str
    start_m: float
    end_m: float


def spans_of(splices: Sequence[Splice], made: Sequence[Made], lay_factor: float = 1.0) -> list[Span]:
    """Spans from what was paid off and what was wound on one line.

    Each pay-off position is a run of drums after each other; a drum is met from its outer end inwards, `lay_factor`
    metres of it for a metre of cable. A drum that ran out before its successor began leaves cable without a parent.
    """
    found: list[Span] = []
    for position in dict.fromkeys(s.position for s in splices):
        run = sorted((s for s in splices if s.position == position), key=lambda s: s.line_metre)
        for i, splice in enumerate(run):
            until = run[i + 1].line_metre if i + 1 < len(run) else float("inf")
            until = min(until, splice.line_metre + splice.left_m / lay_factor)
            found += _laid(splice, until, made, lay_factor)
    return found


def _laid(splice: Splice, until: float, made: Sequence[Made], lay_factor: float) -> Iterator[Span]:
    for drum in made:
        a, b = max(splice.line_metre, drum.start_m), min(until, drum.end_m)
        if b - a > EXACT_M:
            outer = splice.left_m - (a - splice.line_metre) * lay_factor
            inner = max(splice.left_m - (b - splice.line_metre) * lay_factor, 0.0)
            yield Span(splice.drum, inner, outer, drum.drum, a - drum.start_m, b - drum.start_m)


def inherited(family: Family, drum: str, bad: Sequence[tuple[str, float, float]]) -> list[tuple[float, float, str]]:
    """Where bad intervals of earlier drums (drum, start, end) lie on a later one: (start, end, whose), in order."""
    found = [
        (piece.start_m, piece.end_m, of)
        for of, start, end in bad
        for piece in family.forward(of, start, end)
        if piece.drum == drum
    ]
    return sorted(found)
