"""Which metres of which earlier drums are in this metre: spans of cable from parent to child, composed exactly.

Drums are meant filling by filling: a name that comes back is another drum.
A drum unwinds from its outer end, so metres reverse at every process; laying-up takes more core than cable.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from monitor.contract.record import FillingKey

EXACT_M = 1e-9
HOLE_M = 0.1  # shorter ones are an error of the counter, not cable


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Cable of `parent` that went into `child`, as metres of each drum in its own wound order.

    Going on along the child, the parent is met backwards: `parent_end_m` went in first, at `child_start_m`, at the
    pay-off `position`.
    """

    parent: FillingKey
    parent_start_m: float
    parent_end_m: float
    child: FillingKey
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """An interval of a drum; `reversed_` is True where it runs against the drum of the request."""

    drum: FillingKey
    start_m: float
    end_m: float
    reversed_: bool
    generation: int


class Family:
    """All spans of a works, traced forwards and backwards."""

    def __init__(self, spans: Iterable[Span]) -> None:
        self.spans = list(spans)
        self._of_child: dict[FillingKey, list[Span]] = {}
        self._of_parent: dict[FillingKey, list[Span]] = {}
        for span in self.spans:
            self._of_child.setdefault(span.child, []).append(span)
            self._of_parent.setdefault(span.parent, []).append(span)

    def parents(self, drum: FillingKey) -> Sequence[Span]:
        """Spans that went into a drum, along it."""
        return sorted(self._of_child.get(drum, ()), key=lambda s: (s.child_start_m, s.parent))

    def children(self, drum: FillingKey) -> Sequence[Span]:
        """Spans that a drum went into, along it."""
        return sorted(self._of_parent.get(drum, ()), key=lambda s: (s.parent_start_m, s.child))

    def back(self, drum: FillingKey, start_m: float, end_m: float) -> list[Piece]:
        """Every interval of earlier drums that is in an interval of this one, nearest generation first."""
        return list(
            self._walk(Piece(drum=drum, start_m=start_m, end_m=end_m, reversed_=False, generation=0), back=True)
        )

    def forward(self, drum: FillingKey, start_m: float, end_m: float) -> list[Piece]:
        """Every interval of later drums that holds an interval of this one, nearest generation first."""
        return list(
            self._walk(Piece(drum=drum, start_m=start_m, end_m=end_m, reversed_=False, generation=0), back=False)
        )

    def _walk(self, first: Piece, back: bool) -> Iterator[Piece]:
        waiting, seen = [first], 0
        while seen < len(waiting):
            piece = waiting[seen]
            seen += 1
            if piece.generation > len(self.spans):
                raise ValueError(
                    f"drum {piece.drum.drum} is its own ancestor: the recorded pay-off changes contradict each other"
                )
            for span in self.parents(piece.drum) if back else self.children(piece.drum):
                found = _up(piece, span) if back else _down(piece, span)
                if found is not None:
                    waiting.append(found)
                    yield found


def _up(piece: Piece, span: Span) -> Piece | None:
    a, b = max(piece.start_m, span.child_start_m), min(piece.end_m, span.child_end_m)
    if b - a <= EXACT_M:
        return None
    return Piece(
        drum=span.parent,
        start_m=span.up(b),
        end_m=span.up(a),
        reversed_=not piece.reversed_,
        generation=piece.generation + 1,
    )


def _down(piece: Piece, span: Span) -> Piece | None:
    a, b = max(piece.start_m, span.parent_start_m), min(piece.end_m, span.parent_end_m)
    if b - a <= EXACT_M:
        return None
    return Piece(
        drum=span.child,
        start_m=span.down(b),
        end_m=span.down(a),
        reversed_=not piece.reversed_,
        generation=piece.generation + 1,
    )


@dataclass(frozen=True, slots=True)
class Made:
    """A drum that a line wound, in line metres.

    `taken` by pay-off: metres paid off there that went into a metre of it; 1 at a pay-off that it does not name.
    """

    drum: FillingKey
    start_m: float
    end_m: float
    taken: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PutOn:
    """A drum on a pay-off from a line metre on: `left_m` of it, from its outer end inwards.

    `drum` is None where it is not known which one it is, `left_m` where no length is known: either leaves cable
    without a parent.
    """

    position: str
    drum: FillingKey | None
    line_metre: float
    left_m: float | None


def spans_of(put_on: Sequence[PutOn], made: Sequence[Made]) -> list[Span]:
    """Spans from what was put on at the pay-offs of one line and what it wound, both with all that lies between.

    Each pay-off is a run of drums after each other; a drum is met from its outer end inwards. One that ran out before
    its successor began leaves cable without a parent there.
    """
    along = sorted(made, key=lambda m: m.start_m)
    found: list[Span] = []
    for position in dict.fromkeys(p.position for p in put_on):
        run = sorted((p for p in put_on if p.position == position), key=lambda p: p.line_metre)
        for i, one in enumerate(run):
            until = run[i + 1].line_metre if i + 1 < len(run) else math.inf
            if one.drum is not None and one.left_m is not None:
                found += _laid(one, one.drum, one.left_m, until, along)
    return found


def _laid(one: PutOn, parent: FillingKey, left: float, until: float, along: Sequence[Made]) -> Iterator[Span]:
    at = one.line_metre
    for drum in along:
        taken = drum.taken.get(one.position, 1.0)
        if drum.end_m <= at or left <= EXACT_M or drum.start_m >= until:
            continue
        left -= max(drum.start_m - at, 0.0) * taken  # cable on no drum
        a = max(at, drum.start_m)
        b = min(drum.end_m, until, a + left / taken)
        if b - a > EXACT_M:
            inner = max(left - (b - a) * taken, 0.0)
            yield Span(
                parent=parent,
                parent_start_m=inner,
                parent_end_m=left,
                child=drum.drum,
                child_start_m=a - drum.start_m,
                child_end_m=b - drum.start_m,
                position=one.position,
            )
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


def inherited(
    family: Family, drum: FillingKey, bad: Sequence[tuple[FillingKey, float, float]]
) -> list[tuple[float, float, FillingKey]]:
    """Where bad intervals of earlier drums (drum, start, end) lie on a later one: (start, end, whose), in order."""
    found = [
        (piece.start_m, piece.end_m, of)
        for of, start, end in bad
        for piece in family.forward(of, start, end)
        if piece.drum == drum
    ]
    return sorted(found)
