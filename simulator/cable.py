"""The cable itself: its true diameter along the metres, and the faults in its insulation."""

import heapq
from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import count

import numpy as np

from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Geometry
from monitor.contract.record import Floats
from simulator.scenario import LineScript, Lump, Places, Screw, Sparks
from simulator.travel import Travel

WANDER_PERIODS_S = (37.0, 83.0, 149.0, 311.0)
SLOWEST_M_PER_S = 0.5  # below this the screw is driven by hand, and lag counts no further


@dataclass(frozen=True, slots=True)
class Flaw:
    """A fault in the insulation at a line metre, and what made it."""

    metre: float
    cause: str


@dataclass(slots=True)
class HeadDiameter:
    """Diameter that the head gives the cable, by the time at which it left the head: pulsation, wander, lag."""

    geometry: Geometry
    screw: Screw
    travel: Travel
    phases: Floats

    @classmethod
    def of(cls, geometry: Geometry, screw: Screw, travel: Travel, rng: np.random.Generator) -> "HeadDiameter":
        return cls(geometry, screw, travel, rng.uniform(0.0, 2 * np.pi, len(WANDER_PERIODS_S) + 1))

    def at_head_mm(self, t_s: Floats) -> Floats:
        """Mean outer diameter of the cable that leaves the head at a time, mm."""
        s = self.screw
        x = s.pulsation_mm * np.sin(2 * np.pi * t_s / s.pulsation_period_s + self.phases[0])
        for period, phase in zip(WANDER_PERIODS_S, self.phases[1:], strict=True):
            x += s.wander_mm / len(WANDER_PERIODS_S) * np.sin(2 * np.pi * t_s / period + phase)
        return np.asarray(self._lagging_mm(t_s) + x)

    def _lagging_mm(self, t_s: Floats) -> Floats:
        """The screw brings compound for the speed of `lag_s` ago: wall area changes by -lag a / v (first order)."""
        d, core = self.geometry.outer_diameter_mm, self.geometry.inside_mm
        v = np.maximum(self.travel.speed(t_s), SLOWEST_M_PER_S)
        more = -self.screw.lag_s * self.travel.acceleration(t_s) / v
        return np.asarray(np.sqrt(core**2 + (d**2 - core**2) * np.maximum(1.0 + more, 0.05)))


def places(where: Places, origin_m: float, rng: np.random.Generator) -> Iterator[float]:
    """Line metres of a script's places, rising, without end where there is none."""
    if where.per_km is not None:
        at = where.from_m
        while (at := at + rng.exponential(1000.0 / where.per_km)) < where.end_m:
            yield origin_m + at
        return
    for turn in count() if where.every_m else range(1):
        for at in sorted(where.at_m):
            yield origin_m + at + turn * (where.every_m or 0.0)


@dataclass(slots=True)
class Lumps:
    """Lumps and necks along the cable, made as far as they are asked for."""

    lump: Lump
    found: Iterator[float]
    centres_m: list[float] = field(default_factory=list)

    def add_to(self, d_mm: Floats, M: Floats) -> None:
        """Add their height to diameters at line metres (never falling)."""
        half = self.lump.length_m / 2
        while not self.centres_m or self.centres_m[-1] < M[-1] + half:
            self.centres_m.append(next(self.found, np.inf))
        first = int(np.searchsorted(self.centres_m, M[0] - half))
        for centre in self.centres_m[first:]:
            i, j = np.searchsorted(M, (centre - half, centre + half))
            if centre - half > M[-1]:
                break
            x = (M[i:j] - centre) / half
            d_mm[i:j] += self.lump.height_mm * 0.5 * (1.0 + np.cos(np.pi * x))


@dataclass(slots=True)
class TrueDiameter:
    """True diameter at any line metre that has left the head."""

    wall: HeadDiameter
    lumps: list[Lumps]
    counter_m: float

    def diameter_mm(self, M: Floats) -> Floats:
        """Mean outer diameter at line metres (never falling), mm."""
        t_head = self.wall.travel.when(M - self.counter_m, last=True)
        d_mm = self.wall.at_head_mm(t_head)
        for lumps in self.lumps:
            lumps.add_to(d_mm, M)
        return d_mm


@dataclass(slots=True)
class Flaws:
    """Faults of the insulation in order of line metre."""

    sources: list[Iterator[Flaw]]
    _waiting: list[tuple[float, int, Flaw]] = field(default_factory=list)

    def __post_init__(self) -> None:
        for i in range(len(self.sources)):
            self._pull(i)

    def before(self, M: float) -> list[Flaw]:
        """Those below line metre `M` that were not given yet."""
        out = []
        while self._waiting and self._waiting[0][0] < M:
            _, i, flaw = heapq.heappop(self._waiting)
            out.append(flaw)
            self._pull(i)
        return out

    def _pull(self, i: int) -> None:
        flaw = next(self.sources[i], None)
        if flaw is not None:
            heapq.heappush(self._waiting, (flaw.metre, i, flaw))


@dataclass(slots=True)
class Book:
    """Flaws found so far, so that a stretch may be asked for again."""

    flaws: Flaws
    known: list[Flaw] = field(default_factory=list)

    def between(self, start_m: float, end_m: float) -> list[Flaw]:
        """Flaws from one line metre to before another."""
        self.known += self.flaws.before(end_m)
        metres = [flaw.metre for flaw in self.known]
        return self.known[bisect_left(metres, start_m) : bisect_left(metres, end_m)]


def flaws(line: Line, script: LineScript, origin_m: float, rngs: list[np.random.Generator]) -> Flaws:
    """All sources of a script's spark faults; metres of the script count from `origin_m`."""
    return Flaws([_source(line, one, origin_m, rng) for one, rng in zip(script.spark, rngs, strict=True)])


def _source(line: Line, sparks: Sparks, origin_m: float, rng: np.random.Generator) -> Iterator[Flaw]:
    if sparks.kind == "random":
        return (Flaw(M, "random") for M in places(sparks, origin_m, rng))
    if sparks.kind == "cluster":
        return _clusters(sparks, origin_m, rng)
    return _recurring(line, sparks, origin_m, rng)


def _clusters(sparks: Sparks, origin_m: float, rng: np.random.Generator) -> Iterator[Flaw]:
    """Clusters one after the other; faults of one that reach beyond the start of the next stay in order."""
    waiting: list[float] = []
    for start in places(sparks, origin_m, rng):
        while waiting and waiting[0] <= start:
            yield Flaw(heapq.heappop(waiting), "cluster")
        for M in start + rng.uniform(0.0, sparks.spread_m, sparks.count):
            heapq.heappush(waiting, float(M))
    while waiting:
        yield Flaw(heapq.heappop(waiting), "cluster")


def _recurring(line: Line, sparks: Sparks, origin_m: float, rng: np.random.Generator) -> Iterator[Flaw]:
    """The part marks the cable that is at its station whenever it has turned to its phase."""
    part = next(p for p in line.rotating_part if p.name == sparks.part)
    if part.circumference_m is None:
        raise ValueError(f"part {part.name} turns by its own drive: give one with a circumference")
    round_m = part.circumference_m * (1.0 - sparks.wear_percent / 100.0)
    offset = line.counter_m - line.stations[part.station].position_m + sparks.phase_deg / 360.0 * round_m
    first = int(np.ceil((origin_m + sparks.from_m - offset) / round_m))
    for turn in count(first):
        M = turn * round_m + offset
        if origin_m + sparks.end_m <= M:
            return
        if sparks.probability >= 1.0 or rng.random() < sparks.probability:
            yield Flaw(M, part.name)
