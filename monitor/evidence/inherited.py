"""Faults inherited from input drums: their bad metres where they lie on it, and its family."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from math import ceil, floor

import numpy as np
from numpy.typing import NDArray

from monitor.analysis.ancestry import Family, inherited
from monitor.analysis.lineage import Lineage, stretches
from monitor.contract.config.recipe import Recipe
from monitor.contract.reading import DrumRow
from monitor.contract.record import FillingKey, Verdict
from monitor.evidence.source import EvidenceSource
from monitor.evidence.verdict_runs import Run, laid_over, runs

KEEP_MS = 10_000  # inherited faults change only when another drum is put on


@dataclass(frozen=True, slots=True, kw_only=True)
class InheritedFault:
    """Metres of a drum in which bad metres of an earlier one lie; `of_start_m` to `of_end_m` are that one's own."""

    start_m: float
    end_m: float
    verdict: Verdict
    of: DrumRow
    of_start_m: float
    of_end_m: float


def lineage_of(source: EvidenceSource) -> Lineage:
    """Families as they are in the record now."""

    @cache
    def recipe(line: str, name: str, revision: int | None) -> Recipe | None:
        return source.recipe(line, name, revision)

    return Lineage(
        record=source.record,
        configuration=source.configuration,
        recipe_of=lambda d: recipe(d.line, d.recipe, d.revision or None),
    )


VerdictsOf = Callable[[str, float, float], tuple[int, NDArray[np.int8]]]  # of a line over an interval of its metres


def inherited_faults(
    source: EvidenceSource,
    line: str,
    filling: int,
    lineage: Lineage | None = None,
    verdicts_of: VerdictsOf | None = None,
) -> list[InheritedFault]:
    """What a drum inherits, in wound order; kept for some seconds, since every ribbon needs it."""
    if not source.configuration.lines[line].pay_off:
        return []
    slot = source.now_ms // KEEP_MS
    if any(key[0] != slot for key in list(source.kept)[:1]):
        source.kept.clear()  # past slots are not requested again
    found = source.kept.get((slot, line, filling))
    if found is None:
        lineage = lineage or lineage_of(source)
        known = (d for d in lineage.drums.values() if d and (d.line, d.filling) == (line, filling))
        row = next(known, None) or source.record.drum(line, filling)
        found = _inherited_faults(row, lineage, verdicts_of or source.record.verdicts) if row else []
        source.kept[slot, line, filling] = found
    return list(found)


def _inherited_faults(drum: DrumRow, lineage: Lineage, verdicts_of: VerdictsOf) -> list[InheritedFault]:
    family = lineage.family(drum, forward=False)
    found = []
    for of, start_m, end_m in _extents(family, drum.key):
        earlier = lineage.drum(of)
        if earlier is None:
            continue
        for run in _own_runs(verdicts_of, earlier, start_m, end_m):
            if run.verdict > Verdict.CONFORMING:
                places = inherited(family, drum.key, [(of, run.start_m, run.end_m)])
                found += [
                    InheritedFault(
                        start_m=a, end_m=b, verdict=run.verdict, of=earlier, of_start_m=run.start_m, of_end_m=run.end_m
                    )
                    for a, b, _ in places
                ]
    return sorted(found, key=lambda x: (x.start_m, x.of.key))


def _extents(family: Family, drum: FillingKey) -> list[tuple[FillingKey, float, float]]:
    """Each earlier drum with the stretch of it that is in this one."""
    reach: dict[FillingKey, tuple[float, float]] = {}
    for piece in family.back(drum, 0.0, float("inf")):
        a, b = reach.get(piece.drum, (piece.start_m, piece.end_m))
        reach[piece.drum] = min(a, piece.start_m), max(b, piece.end_m)
    return [(key, a, b) for key, (a, b) in reach.items()]


def _own_runs(verdicts_of: VerdictsOf, drum: DrumRow, start_m: float, end_m: float) -> list[Run]:
    first, verdicts = verdicts_of(drum.line, drum.start_m + start_m, drum.start_m + end_m)
    found = runs(first, verdicts, drum.start_m + start_m, drum.start_m + end_m)
    return [Run(r.start_m + start_m, r.end_m + start_m, r.verdict) for r in found]


def as_runs(of: Sequence[InheritedFault]) -> list[Run]:
    """Inherited faults as runs of the drum that has them."""
    return [Run(x.start_m, x.end_m, x.verdict) for x in of]


def whole_runs(source: EvidenceSource, drum: DrumRow, wound_m: float, lineage: Lineage | None = None) -> list[Run]:
    """A drum's ribbon: what its own line found, and over it what it inherits; the worse verdict counts."""
    end = drum.start_m + wound_m
    first, verdicts = source.record.verdicts(drum.line, drum.start_m, end)
    own = runs(first, verdicts, drum.start_m, end)
    return laid_over(own, as_runs(inherited_faults(source, drum.line, drum.filling, lineage)))


@dataclass(slots=True)
class _Reading:
    """Verdicts of many intervals, read in one pass where they lie near each other, and kept."""

    source: EvidenceSource
    kept: list[tuple[str, float, float, int, NDArray[np.int8]]] = field(default_factory=list)

    def read(self, intervals: Iterable[tuple[str, float, float]]) -> None:
        """Read intervals (line, start, end) of line metre that will be asked for."""
        for line, start, end in stretches(intervals):
            self.kept.append((line, start, end, *self.source.record.verdicts(line, start, end)))

    def over(self, line: str, start_m: float, end_m: float) -> tuple[int, NDArray[np.int8]]:
        """As `Record.verdicts`."""
        for of, start, end, first, verdicts in self.kept:
            if of == line and start <= start_m <= end_m <= end:
                a, b = max(floor(start_m) - first, 0), max(ceil(end_m) - first, 0)
                return first + a, verdicts[a:b]
        return self.source.record.verdicts(line, start_m, end_m)


def ribbons(
    source: EvidenceSource, wound: Sequence[tuple[DrumRow, float]], lineage: Lineage | None = None
) -> list[list[Run]]:
    """`whole_runs` of many drums, each with the length that is on it, in few queries however many they are."""
    lineage, reading = lineage or lineage_of(source), _Reading(source)
    lineage.gather([drum for drum, _ in wound])
    reading.read([*_own(wound), *_earlier(lineage, [drum for drum, _ in wound])])
    found = []
    for drum, length in wound:
        end = drum.start_m + length
        own = runs(*reading.over(drum.line, drum.start_m, end), drum.start_m, end)
        more = inherited_faults(source, drum.line, drum.filling, lineage, reading.over)
        found.append(laid_over(own, as_runs(more)))
    return found


def _own(wound: Sequence[tuple[DrumRow, float]]) -> list[tuple[str, float, float]]:
    """Line metres of drums."""
    return [(drum.line, drum.start_m, drum.start_m + length) for drum, length in wound]


def _earlier(lineage: Lineage, drums: Sequence[DrumRow]) -> Iterator[tuple[str, float, float]]:
    """Line metres of earlier drums that are in these."""
    for drum in drums:
        for key, start_m, end_m in _extents(lineage.family(drum, forward=False), drum.key):
            of = lineage.drum(key)
            if of is not None:
                yield of.line, of.start_m + start_m, of.start_m + end_m


@dataclass(frozen=True, slots=True, kw_only=True)
class RelatedMetres:
    """One drum of a family: by how many processes it is apart (before 0: earlier), and the metres that it shares."""

    key: FillingKey
    drum: DrumRow | None
    generation: int
    start_m: float
    end_m: float

    @property
    def name(self) -> str:
        return self.key.drum


def related_metres(lineage: Lineage, drum: DrumRow, start_m: float, end_m: float) -> list[RelatedMetres]:
    """Every drum that shares an interval of this one, the earliest process first; the drum itself is among them."""
    family = lineage.family(drum)
    found = [RelatedMetres(key=drum.key, drum=drum, generation=0, start_m=start_m, end_m=end_m)]
    for sign, pieces in ((-1, family.back(drum.key, start_m, end_m)), (1, family.forward(drum.key, start_m, end_m))):
        found += [
            RelatedMetres(
                key=p.drum, drum=lineage.drum(p.drum), generation=sign * p.generation, start_m=p.start_m, end_m=p.end_m
            )
            for p in pieces
        ]
    return sorted(found, key=lambda k: (k.generation, k.name, k.key, k.start_m))


def names_apart(drums: Iterable[FillingKey]) -> dict[FillingKey, str]:
    """What drums are called side by side: by name, with line and number of the filling where a name is there twice."""
    keys = list(dict.fromkeys(drums))
    often = Counter(key.drum for key in keys)
    return {
        key: key.drum if often[key.drum] == 1 or not key.wound_here else f"{key.drum} ({key.line} {key.filling})"
        for key in keys
    }
