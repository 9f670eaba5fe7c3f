"""What really happened at which metre, for marking what the monitor says of it."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

from monitor.contract.config import Line, Recipe, Window
from monitor.contract.record import Floats
from simulator.gauges import CounterFaultTrue
from simulator.travel import Travel


@dataclass(frozen=True, slots=True)
class Spark:
    """A fault of the insulation: its line metre, and when it entered the electrode (s from the start)."""

    metre: float
    t_s: float
    cause: str


@dataclass(frozen=True, slots=True)
class Stretch:
    """Cable for which something held: `check` LO, HI ... (true value beyond that limit), or an instrument's trouble.

    `start_m`, `end_m` are line metres; times s from the start; `place` tells the pass of a zone.
    """

    stream: str
    check: str
    start_m: float
    end_m: float
    start_s: float
    end_s: float
    extreme: float | None = None
    place: str = ""


@dataclass(frozen=True, slots=True)
class Cut:
    """A drum from its first metre on; the next cut ends it."""

    drum: str
    recipe: str
    start_m: float
    t_s: float


@dataclass(frozen=True, slots=True)
class State:
    """What the line was doing from `t_s` on."""

    t_s: float
    state: str
    reason: str
    line_metre: float


@dataclass(slots=True)
class Truth:
    """Grows as a run goes on; everything up to `until_s` is in it."""

    line: str
    recipe: str
    start_ms: int
    until_s: float = 0.0
    sparks: list[Spark] = field(default_factory=list)
    beyond: list[Stretch] = field(default_factory=list)
    troubles: list[Stretch] = field(default_factory=list)
    counter: list[CounterFaultTrue] = field(default_factory=list)
    cuts: list[Cut] = field(default_factory=list)
    states: list[State] = field(default_factory=list)

    def write(self, folder: Path) -> Path:
        """Write as `LINE.json` in a folder, which is made if need be; returns the file."""
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"{self.line}.json"
        aside = path.with_suffix(".aside")
        aside.write_bytes(msgspec.json.format(msgspec.json.encode(asdict(self)), indent=1))
        aside.replace(path)
        return path

    @classmethod
    def read(cls, path: Path) -> "Truth":
        """What `write` wrote."""
        return msgspec.json.decode(path.read_bytes(), type=cls)


@dataclass(frozen=True, slots=True)
class Extent:
    """A path interval that a stream speaks for."""

    start_m: float
    end_m: float
    place: str = ""


def extents(line: Line, stream: str) -> list[Extent]:
    """A gauge's place, a station's length, or each pass of the zone whose temperature this is."""
    zones = [z for z in line.zone if z.temperature == stream]
    if zones:
        return [Extent(z.start_m, z.end_m, f"pass {z.pass_number}") for z in zones]
    station = line.stations[line.streams[stream].station]
    return [Extent(station.position_m, station.end_m if station.end_m is not None else station.position_m)]


@dataclass(slots=True)
class Runs:
    """Samples for which a condition holds, gathered into stretches of time; one may stay open between calls."""

    open_s: float | None = None
    extreme: float = 0.0
    newest_s: float = 0.0

    def feed(self, t_s: Floats, on: NDArray[np.bool_], v: Floats, sign: int) -> list[tuple[float, float, float]]:
        """(first time on, first time off again, extreme value) of the stretches that end in these samples."""
        if not len(t_s):
            return []
        if self.open_s is None and not on.any():
            return []
        edges = np.flatnonzero(np.diff(on, prepend=self.open_s is not None))
        out, start = [], 0
        for i in edges.tolist():
            if self.open_s is None:
                self.open_s, self.extreme, start = float(t_s[i]), float(v[i]), i
            else:
                self._see(v[start:i], sign)
                out.append((self.open_s, float(t_s[i]), self.extreme))
                self.open_s = None
        if self.open_s is not None:
            self._see(v[start:], sign)
        self.newest_s = float(t_s[-1])
        return out

    def end(self) -> list[tuple[float, float, float]]:
        """The stretch that is open when the run is cut off."""
        if self.open_s is None:
            return []
        out = [(self.open_s, self.newest_s, self.extreme)]
        self.open_s = None
        return out

    def _see(self, v: Floats, sign: int) -> None:
        if len(v):
            self.extreme = float(sign * max(sign * self.extreme, float((sign * v).max())))


@dataclass(slots=True)
class Watch:
    """The true value of one stream against the limits of its window, in the states in which the window applies."""

    line: Line
    travel: Travel
    window: Window
    truth: Truth
    runs: dict[str, Runs] = field(default_factory=dict)

    def feed(self, t_s: Floats, true: Floats) -> None:
        """True values at the times of samples that follow those before."""
        applies = self._applies(t_s)
        for name, at in self.window.limits.items():
            sign = -1 if name in ("LO", "LOLO") else 1
            beyond = (sign * true > sign * at) & applies
            self._keep(name, self.runs.setdefault(name, Runs()).feed(t_s, beyond, true, sign))

    def end(self) -> None:
        """The run is cut off."""
        for name, runs in self.runs.items():
            self._keep(name, runs.end())

    def _keep(self, check: str, found: list[tuple[float, float, float]]) -> None:
        for start, end, extreme in found:
            self.truth.beyond += stretches(self.line, self.travel, self.window.stream, check, start, end, extreme)

    def _applies(self, t_s: Floats) -> NDArray[np.bool_]:
        """By the machine's word, and stopped whenever the line is slower than what counts as standing."""
        states = [turn.state for turn in self.travel.turns]
        allowed = np.array([state in self.window.states for state in states])
        applies = allowed[self.travel.state_code(t_s)]
        standing = self.travel.speed(t_s) * 60.0 < self.line.stopped_below_m_per_min
        return np.where(standing, "stopped" in self.window.states, applies)


def stretches(
    line: Line, travel: Travel, stream: str, check: str, start_s: float, end_s: float, extreme: float | None = None
) -> list[Stretch]:
    """A stretch of time at a stream's place as metres of cable that met it: one for each pass of a zone."""
    L0, L1 = travel.metres(np.array([start_s, end_s])).tolist()
    return [
        Stretch(
            stream,
            check,
            L0 + line.counter_m - e.end_m,
            L1 + line.counter_m - e.start_m,
            start_s,
            end_s,
            extreme,
            e.place,
        )
        for e in extents(line, stream)
    ]


def dwell_s(line: Line, travel: Travel, zone: str, metres: Floats) -> Floats:
    """True time that the cable at each line metre spent in a zone over all its passes, s."""
    total = np.zeros(len(metres))
    for z in line.zone:
        if z.name == zone:
            enters = travel.when(metres - line.counter_m + z.start_m)
            total += travel.when(metres - line.counter_m + z.end_m) - enters
    return total


def watches(line: Line, recipe: Recipe, travel: Travel, truth: Truth) -> dict[str, Watch]:
    """One watch for each window of the recipe, by stream path."""
    return {w.stream: Watch(line, travel, w, truth) for w in recipe.window if w.stream in line.streams}


def sorted_by_start(found: Sequence[Stretch]) -> list[Stretch]:
    """In order of line metre."""
    return sorted(found, key=lambda s: (s.start_m, s.stream, s.check))
