"""Circuit integrity tests on record: the result of each specimen, and the tests that belong to a drum."""

from dataclasses import dataclass

import numpy as np

from monitor.analysis.lineage import Lineage
from monitor.contract.config.recipe import Integrity
from monitor.contract.number_format import fixed
from monitor.contract.reading import DrumRow
from monitor.contract.record import FillingKey, Floats
from monitor.contract.topics import Stream
from monitor.evidence.inherited import lineage_of
from monitor.evidence.integrity_tests import Outcome, judge, schedule_of
from monitor.evidence.source import EvidenceSource


@dataclass(frozen=True, slots=True, kw_only=True)
class Tested:
    """A specimen in the flame. `outcome` is None before ignition; `burning` while it is not over."""

    drum: DrumRow
    test: Integrity
    ignition_ms: int | None
    ended_ms: int | None
    outcome: Outcome | None
    failed: bool
    t_s: Floats
    flame_C: Floats
    shocks_s: tuple[float, ...]
    water_s: float | None

    @property
    def burning(self) -> bool:
        return self.ignition_ms is not None and self.ended_ms is None

    @property
    def words(self) -> str:
        """The result in a sentence."""
        if self.outcome is None:
            return "not ignited"
        held = f"held {fixed(self.outcome.held_s, 0)} s"
        if self.burning:
            return f"burning, {held} so far"
        if self.failed:
            return f"the circuit failed after {fixed(self.outcome.held_s, 0)} s"
        if not self.outcome.valid:
            return f"{held}, but the schedule was not kept: {'; '.join(self.outcome.departures)}"
        earned = self.outcome.class_min
        return f"{held}: " + (f"class {earned} min" if earned else "too short for any class")


def tested(source: EvidenceSource, drum: DrumRow) -> Tested | None:
    """The test of a specimen; None for a drum of another kind."""
    recipe = source.recipe(drum.line, drum.recipe, drum.revision or None)
    if recipe is None or recipe.integrity is None:
        return None
    test = recipe.integrity
    until = drum.end_ms if drum.end_ms is not None else source.now_ms
    lit = _lit(source, drum, until)
    if lit is None:
        return Tested(
            drum=drum,
            test=test,
            ignition_ms=None,
            ended_ms=None,
            outcome=None,
            failed=False,
            t_s=np.empty(0),
            flame_C=np.empty(0),
            shocks_s=(),
            water_s=None,
        )
    begun, ended = lit
    last = ended if ended is not None else until
    t_ms, v = _samples(source, drum.line, test.flame, begun, last)
    shocks, water, failures = (
        _since(source, drum.line, path, begun, last) for path in (test.shock, test.water, test.circuit)
    )
    broken = failures[0] if failures else None
    outcome = None
    if last > begun:
        ran_s = (last - begun) / 1e3
        first_water = water[0] if water else None
        outcome = judge(schedule_of(test), (t_ms - begun) / 1e3, v, shocks, broken, ran_s, first_water)
    return Tested(
        drum=drum,
        test=test,
        ignition_ms=begun,
        ended_ms=ended,
        outcome=outcome,
        failed=broken is not None,
        t_s=(t_ms - begun) / 1e3,
        flame_C=v,
        shocks_s=tuple(shocks),
        water_s=water[0] if water else None,
    )


def flames_of(source: EvidenceSource, drum: DrumRow, lineage: Lineage | None = None) -> list[Tested]:
    """Tests of specimens cut from a drum, or from its neighbours out of the same drum before."""
    lineage = lineage or lineage_of(source)
    parents = {s.parent for s in lineage.parents(drum.key)}
    keys: dict[FillingKey, None] = {}
    for key in (drum.key, *sorted(parents)):
        row = lineage.drum(key)
        if row is not None:
            pieces = lineage.family(row).forward(key, 0.0, float("inf"))
            keys |= dict.fromkeys(p.drum for p in pieces)
    rows = [row for key in keys if (row := lineage.drum(key)) is not None]
    found = [t for row in rows if (t := tested(source, row)) is not None]
    return sorted(found, key=lambda t: t.drum.start_ms)


def _lit(source: EvidenceSource, drum: DrumRow, until_ms: int) -> tuple[int, int | None] | None:
    """Ignition and the end of the flame, by the bench's state."""
    states = source.record.states(drum.line, drum.start_ms, until_ms)
    begun = next((t for t, state, _ in states if state == "running" and t >= drum.start_ms), None)
    if begun is None:
        return None
    return begun, next((t for t, state, _ in states if state == "stopped" and t > begun), None)


def _samples(source: EvidenceSource, line: str, path: str, start_ms: int, end_ms: int) -> tuple[Floats, Floats]:
    trend = source.record.samples(Stream(line, *path.split("/")), start_ms, end_ms)
    return trend.t_ms.astype(np.float64), trend.v


def _since(source: EvidenceSource, line: str, path: str | None, begun_ms: int, end_ms: int) -> list[float]:
    """Times of events, s from ignition."""
    if path is None:
        return []
    return [float(t - begun_ms) / 1e3 for t in _samples(source, line, path, begun_ms, end_ms)[0].tolist()]
