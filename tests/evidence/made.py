"""A small record of its own for tests of evidence: a sheathed drum, two reels cut from it, and specimens of those."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.contract.config.recipe import Recipe
from monitor.contract.reading import DrumRow, NowRow, RevisionRow, Trend
from monitor.contract.record import Floats, Ints, Splice, Verdict
from monitor.contract.topics import Stream
from monitor.evidence.source import EvidenceSource
from tests.analysis.test_lineage import Wound
from tests.core.script import configuration

NOW_S = 10_000.0


def drum(line: str, filling: int, name: str, start_m: float, end_m: float | None, recipe: str) -> DrumRow:
    """A filling that took 100 s from `filling` times 1000 s on; one without an end is being wound."""
    begun_ms = 1_000_000 * filling
    return DrumRow(
        line=line, filling=filling, drum=name, recipe=recipe, revision=1, start_m=start_m, end_m=end_m,
        start_ms=begun_ms, end_ms=None if end_m is None else begun_ms + 100_000, planned_length_m=None, metres={},
    )  # fmt: skip


SHEATHED = drum("sheath-1", 1, "S-1", 100.0, 600.0, "cable-2x2g5")
REELS = [
    drum("rewind-1", 2, "R-1", 1000.0, 1200.0, "reel-2x2g5"),
    drum("rewind-1", 3, "R-2", 1200.0, 1500.0, "reel-2x2g5"),
]
SPECIMEN = drum("fire-1", 4, "T-1", 50.0, 51.2, "fire-2x2g5")
PUT_ON = [
    Splice(line="rewind-1", position="pay-off", drum="S-1", t_s=1900.0, line_metre=1000.0, left_m=None),
    Splice(line="fire-1", position="clamp", drum="R-1", t_s=3900.0, line_metre=50.0, left_m=None),
]


@dataclass
class SmallRecord(Wound):
    """Verdicts by line metre (conforming unless listed), states, and samples by `station/quantity`; times UTC ms."""

    wound: list[DrumRow] = field(default_factory=lambda: [SHEATHED, *REELS, SPECIMEN])
    put_on: list[Splice] = field(default_factory=lambda: list(PUT_ON))
    bad: dict[str, list[tuple[int, int, Verdict]]] = field(default_factory=dict)
    changes: list[tuple[int, str, str]] = field(default_factory=list)
    taken: dict[str, tuple[Ints, Floats]] = field(default_factory=dict)
    came: list[RevisionRow] = field(default_factory=list)
    files: list[Recipe] = field(default_factory=list)
    now: list[NowRow] = field(default_factory=list)
    read: int = 0

    def verdicts(self, line: str, start_m: float, end_m: float) -> tuple[int, NDArray[np.int8]]:
        self.read += 1
        first, last = int(np.floor(start_m)), int(np.ceil(end_m))
        found = np.full(max(last - first, 0), Verdict.CONFORMING, dtype=np.int8)
        for a, b, verdict in self.bad.get(line, []):
            found[max(a - first, 0) : max(b - first, 0)] = verdict
        return first, found

    def drum_named(self, line: str, drum: str) -> DrumRow | None:
        return next((d for d in reversed(self.drums_named(drum)) if d.line == line), None)

    def splices_of(self, drum: str) -> list[Splice]:
        return [s for s in self.put_on if s.drum == drum]

    def drums_between(self, line: str, start_m: float, end_m: float) -> list[DrumRow]:
        return [d for d in self.wound if d.line == line and d.start_m < end_m and (d.end_m or np.inf) > start_m]

    def states(self, line: str, start_ms: int, end_ms: int) -> list[tuple[int, str, str]]:
        return [c for c in self.changes if c[0] <= end_ms]

    def samples(self, stream: Stream, start_ms: int, end_ms: int) -> Trend:
        t, v = self.taken.get(f"{stream.station}/{stream.quantity}", (np.empty(0, dtype=np.int64), np.empty(0)))
        inside = (t >= start_ms) & (t <= end_ms)
        return Trend(t[inside], v[inside])

    def came_into_force(self, line: str | None = None) -> list[RevisionRow]:
        return [r for r in self.came if line in (None, r.line)]

    def recipes_of_files(self) -> list[Recipe]:
        return self.files

    def lines_now(self) -> list[NowRow]:
        return self.now


def source(record: SmallRecord, now_s: float = NOW_S) -> EvidenceSource:
    """The demo plant with this record."""
    return EvidenceSource(record, configuration(), lambda: now_s)  # type: ignore[arg-type]
