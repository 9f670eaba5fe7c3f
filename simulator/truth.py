"""Ground truth: what really happened at which metre, for scoring the monitor."""

from dataclasses import asdict, dataclass, field
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe, Window
from monitor.contract.record import Floats
from simulator.gauges import CounterFaultTrue
from simulator.travel import Travel

Flags = NDArray[np.bool_]
SURE_SIGMAS = 4.0  # what is beyond a limit by less than this of its gauge's noise may be found or not


@dataclass(frozen=True, slots=True)
class Spark:
    """A fault of the insulation, or a tape's: its line metre, and when its tester met it (s from the start)."""

    metre: float
    t_s: float
    cause: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueStretch:
    """Cable for which something held: `check` LO, HI ... (true value beyond that limit), or an instrument's trouble.

    `start_m`, `end_m` are line metres; `clear_m` is where the value was back by the window's deadband as well.
    Times are s from the start; `place` tells the pass of a zone. From `sure_m` on no noise could hide it.
    """

    stream: str
    check: str
    start_m: float
    end_m: float
    clear_m: float
    start_s: float
    end_s: float
    clear_s: float
    extreme: float
    place: str = ""
    sure_m: float | None = None


@dataclass(frozen=True, slots=True)
class DrumCut:
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


@dataclass(slots=True, kw_only=True)
class Truth:
    """Grows as a run goes on; everything up to `until_s` is in it."""

    line: str
    recipe: str
    start_ms: int
    until_s: float = 0.0
    sparks: list[Spark] = field(default_factory=list)
    beyond: list[TrueStretch] = field(default_factory=list)
    troubles: list[TrueStretch] = field(default_factory=list)
    counter: list[CounterFaultTrue] = field(default_factory=list)
    cuts: list[DrumCut] = field(default_factory=list)
    states: list[State] = field(default_factory=list)
    noise: dict[str, float] = field(default_factory=dict)  # standard deviation of each gauge, in its unit

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
class TrueExtent:
    """A path interval that a stream covers."""

    start_m: float
    end_m: float
    place: str = ""


def extents(line: Line, stream: str) -> list[TrueExtent]:
    """A gauge's place, a station's length, or each pass of the zone whose temperature this is."""
    zones = [z for z in line.zone if z.temperature == stream]
    if zones:
        return [TrueExtent(z.start_m, z.end_m, f"pass {z.pass_number}") for z in zones]
    station = line.stations[line.streams[stream].station]
    return [TrueExtent(station.position_m, station.end_m if station.end_m is not None else station.position_m)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spell:
    """A time in which a value was beyond a limit: last beyond it until `end_s`, back by the deadband at `clear_s`.

    From `sure_s` on it was so far beyond that no noise can hide it; None if it never was.
    """

    start_s: float
    end_s: float
    clear_s: float
    extreme: float
    sure_s: float | None = None


@dataclass(slots=True, kw_only=True)
class Spells:
    """Samples beyond one limit, gathered into spells; one may stay open between calls."""

    sign: int
    start_s: float | None = None
    end_s: float = 0.0
    extreme: float = 0.0
    newest_s: float = 0.0
    still: bool = False
    sure_s: float | None = None

    def feed(self, t_s: Floats, beyond: Flags, holding: Flags, surely: Flags, v: Floats) -> list[Spell]:
        """Spells that end in these samples: each begins beyond the limit and lasts while it is held."""
        out: list[Spell] = []
        if not len(t_s) or (self.start_s is None and not beyond.any()):
            return out
        if self.start_s is not None and self.still:
            self.end_s = float(t_s[0])
        self.still = bool(beyond[-1])
        begins, ends, i = np.flatnonzero(beyond), np.flatnonzero(~holding), 0
        while i < len(t_s):
            if self.start_s is None:
                j = int(np.searchsorted(begins, i))
                if j == len(begins):
                    break
                i = int(begins[j])
                self.start_s, self.sure_s, self.extreme = float(t_s[i]), None, float(v[i])
            k = int(np.searchsorted(ends, i))
            stop = int(ends[k]) if k < len(ends) else len(t_s)
            self._see(t_s, beyond, v, i, stop)
            if self.sure_s is None and surely[i:stop].any():
                self.sure_s = float(t_s[i + int(np.argmax(surely[i:stop]))])
            if stop < len(t_s):
                out.append(
                    Spell(
                        start_s=self.start_s,
                        end_s=self.end_s,
                        clear_s=float(t_s[stop]),
                        extreme=self.extreme,
                        sure_s=self.sure_s,
                    )
                )
                self.start_s = None
            i = stop
        self.newest_s = float(t_s[-1])
        return out

    def end(self) -> list[Spell]:
        """The spell that is open when the run is cut off."""
        if self.start_s is None:
            return []
        out = [
            Spell(
                start_s=self.start_s, end_s=self.end_s, clear_s=self.newest_s, extreme=self.extreme, sure_s=self.sure_s
            )
        ]
        self.start_s = None
        return out

    def _see(self, t_s: Floats, beyond: Flags, v: Floats, i: int, j: int) -> None:
        last = np.flatnonzero(beyond[i:j])
        if len(last):
            after = i + int(last[-1]) + 1
            self.end_s = float(t_s[after]) if after < len(t_s) else float(t_s[-1])
            self.extreme = self.sign * max(self.sign * self.extreme, float((self.sign * v[i:j]).max()))


@dataclass(slots=True, kw_only=True)
class Watch:
    """The true value of one stream against the limits of its window, in the states in which the window applies."""

    line: Line
    travel: Travel
    window: Window
    truth: Truth
    sigma: float
    spells: dict[str, Spells] = field(default_factory=dict)

    def feed(self, t_s: Floats, true: Floats) -> None:
        """True values at the times of samples that follow those before."""
        applies = self._applies(t_s)
        for name, at in self.window.limits.items():
            sign = -1 if name in ("LO", "LOLO") else 1
            spells = self.spells.setdefault(name, Spells(sign=sign))
            beyond = (sign * true > sign * at) & applies
            holding = (sign * true > sign * at - self.window.deadband) & applies
            surely = (sign * true > sign * at + SURE_SIGMAS * self.sigma) & applies
            self._keep(name, spells.feed(t_s, beyond, holding, surely, true))

    def end(self) -> None:
        """The run is cut off."""
        for name, spells in self.spells.items():
            self._keep(name, spells.end())

    def _keep(self, check: str, found: list[Spell]) -> None:
        for spell in found:
            self.truth.beyond += stretches(self.line, self.travel, self.window.stream, check, spell)

    def _applies(self, t_s: Floats) -> Flags:
        """As the machine reports it, and stopped whenever the line is slower than what counts as stopped."""
        states = [turn.state for turn in self.travel.turns]
        allowed = np.array([state in self.window.states for state in states])
        applies = allowed[self.travel.state_code(t_s)]
        standing = self.travel.speed(t_s) * 60.0 < self.line.stopped_below_m_per_min
        return np.where(standing, "stopped" in self.window.states, applies)


def stretches(line: Line, travel: Travel, stream: str, check: str, spell: Spell) -> list[TrueStretch]:
    """A spell at a stream's place as metres of cable that met it: one stretch for each pass of a zone."""
    L0, L1, L2 = (travel.metres(np.array([spell.start_s, spell.end_s, spell.clear_s])) + line.counter_m).tolist()
    sure_L = None if spell.sure_s is None else float(travel.metres(np.array(spell.sure_s))) + line.counter_m
    return [
        TrueStretch(
            stream=stream,
            check=check,
            start_m=L0 - e.end_m,
            end_m=L1 - e.start_m,
            clear_m=L2 - e.start_m,
            start_s=spell.start_s,
            end_s=spell.end_s,
            clear_s=spell.clear_s,
            extreme=spell.extreme,
            place=e.place,
            sure_m=None if sure_L is None else sure_L - e.end_m,
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
    windows = [w for w in recipe.window if w.stream in line.streams]
    return {
        w.stream: Watch(line=line, travel=travel, window=w, truth=truth, sigma=truth.noise.get(w.stream, 0.0))
        for w in windows
    }
