"""The instruments: each samples the true value at its position, with noise, resolution and its own faults."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import msgspec
import numpy as np
from numpy.typing import NDArray

from monitor.contract.config.line import StreamSettings
from monitor.contract.record import Floats
from simulator.scenario import CounterTrouble, InstrumentTrouble
from simulator.travel import Travel

BLOCK_S = 0.5
FASTEST_SINGLE_S = 0.25  # slower streams send each sample by itself
Flags = NDArray[np.bool_]

_encode = msgspec.json.Encoder().encode


@dataclass(frozen=True, slots=True)
class Draft:
    """A message before it travels: `body` lacks its number `n`; `ready_s` is the time of its last sample, s."""

    ready_s: float
    body: dict[str, object]


@dataclass(frozen=True, slots=True)
class Taken:
    """Samples of one stream: times in s from the start, what was true, what the instrument says."""

    t_s: Floats
    true: Floats
    measured: Floats


@dataclass(slots=True, kw_only=True)
class Gauge:
    """One stream of samples. Its samples lie on a fixed grid, so that no cut of time shows in them."""

    settings: StreamSettings
    truth: Callable[[Floats], Floats]
    sigma: float
    decimals: int
    troubles: Sequence[InstrumentTrouble]
    repeat_s: float | None
    rng: np.random.Generator
    still: bool = False  # says exactly 0 while nothing moves
    dt_ms: int = field(init=False)
    block: int = field(init=False)
    _next: int = 0
    _held: tuple[float, float] = (-1.0, 0.0)  # when a sticking began, and the value it stuck at

    def __post_init__(self) -> None:
        interval_s = self.settings.interval_s or 1.0
        self.dt_ms = max(round(interval_s * 1e3), 1)
        self.block = max(round(BLOCK_S / interval_s), 1) if interval_s < FASTEST_SINGLE_S else 1

    def take(self, before_ms: int) -> Taken:
        """Whole blocks whose last sample is taken before a time in ms from the start."""
        end = max(-(-before_ms // self.dt_ms) // self.block * self.block, self._next)
        i = np.arange(self._next, end)
        self._next = end
        t_s: Floats = np.asarray(i * (self.dt_ms / 1e3), dtype=np.float64)
        true = self.truth(t_s) if len(t_s) else t_s
        noise = self.rng.normal(0.0, self.sigma, len(t_s))
        if self.still:
            noise = np.where(true == 0.0, 0.0, noise)
        measured = self._troubled(t_s, true + noise)
        return Taken(t_s, true, np.round(measured, self.decimals))

    def drafts(self, taken: Taken, start_ms: int) -> Iterator[Draft]:
        """Messages of samples that were taken; none where the instrument sent nothing."""
        stamps = start_ms + np.round(taken.t_s * 1e3).astype(np.int64)
        silent, bad = self.during("drop-out", taken.t_s), self.during("bad", taken.t_s)
        if silent.any() or bad.any():
            yield from self._pieces(stamps, taken, silent, bad)
            return
        values, at, ready = taken.measured.tolist(), stamps.tolist(), taken.t_s.tolist()
        if self.block == 1:
            for t, r, v in zip(at, ready, values, strict=True):
                yield Draft(r, {"t": t, "v": v})
            return
        for i in range(0, len(values), self.block):
            j = i + self.block
            yield Draft(ready[j - 1], {"t": at[i], "dt": self.dt_ms, "v": values[i:j]})

    def during(self, kind: str, t_s: Floats) -> Flags:
        """At which times a trouble of this kind is on."""
        on = np.zeros(len(t_s), dtype=bool)
        for one in self.troubles:
            if one.kind == kind:
                since = self._since(one, t_s)
                on |= (since >= 0) & (since < one.for_s)
        return on

    def _since(self, one: InstrumentTrouble, t_s: Floats) -> Floats:
        return (t_s % self.repeat_s if self.repeat_s else t_s) - one.at_s

    def _troubled(self, t_s: Floats, v: Floats) -> Floats:
        for one in self.troubles:
            if one.kind not in ("drift", "stick"):
                continue
            since = self._since(one, t_s)
            on = (since >= 0) & (since < one.for_s)
            if one.kind == "drift":
                v = v + np.where(on, (one.by_per_min or 0.0) * since / 60.0, 0.0)
            else:
                v = self._stuck(t_s - since, on, v)
        return v

    def _stuck(self, began_s: Floats, on: Flags, v: Floats) -> Floats:
        v = v.copy()
        for i in np.flatnonzero(on).tolist():
            if abs(self._held[0] - began_s[i]) > 1e-6:
                self._held = (float(began_s[i]), float(v[i]))
            v[i] = self._held[1]
        return v

    def _pieces(self, stamps: NDArray[np.int64], taken: Taken, silent: Flags, bad: Flags) -> Iterator[Draft]:
        """Blocks cut where the instrument fell silent or its values turned bad; each leaves when its block is over."""
        kind = silent * 2 + bad * 1
        i, size = 0, len(stamps)
        while i < size:
            j, limit = i + 1, (i // self.block + 1) * self.block
            while j < min(limit, size) and kind[j] == kind[i]:
                j += 1
            if not silent[i]:
                ready_s = float(taken.t_s[min(limit, size) - 1])
                yield Draft(ready_s, self._piece(int(stamps[i]), taken.measured[i:j].tolist(), bool(bad[i])))
            i = j

    def _piece(self, stamp: int, values: list[float], bad: bool) -> dict[str, object]:
        body: dict[str, object] = {"t": stamp}
        body |= {"v": values[0]} if self.block == 1 else {"dt": self.dt_ms, "v": values}
        return body | ({"q": "bad"} if bad else {})


@dataclass(frozen=True, slots=True)
class CounterFaultTrue:
    """What happened to the metre counter: from `t_s` on its reading is off by `by_m` more (a slip: per metre)."""

    kind: str
    t_s: float
    end_s: float
    by_m: float


@dataclass(slots=True)
class CounterWheel:
    """What the metre counter shows for the true line metre."""

    travel: Travel
    troubles: Sequence[CounterTrouble]
    repeat_s: float | None
    wraps_at_m: float | None

    def reading_m(self, t_s: Floats) -> Floats:
        """Counter reading, m."""
        L = self.travel.metres(t_s)
        if not len(t_s):
            return L
        off = np.zeros_like(L)
        for fault in self.faults(0.0, float(t_s[-1]) + 1e-9):
            on = t_s >= fault.t_s
            at = float(self.travel.metres(np.array(fault.t_s)))
            if fault.kind == "reset":
                off = np.where(on, -at, off)
            elif fault.kind == "jump":
                off = np.where(on, off + fault.by_m, off)
            else:
                slipped = self.travel.metres(np.clip(t_s, fault.t_s, fault.end_s)) - at
                off = off - fault.by_m * slipped
        reading = L + off
        return reading % self.wraps_at_m if self.wraps_at_m else reading

    def faults(self, from_s: float, before_s: float) -> list[CounterFaultTrue]:
        """Faults that begin in a time, in order; wraps are left to the reading."""
        found = []
        for period in self._periods(before_s):
            for one in self.troubles:
                t = one.at_s + period * (self.repeat_s or 0.0)
                if from_s <= t < before_s:
                    by = (one.percent or 0.0) / 100.0 if one.kind == "slip" else one.by_m or 0.0
                    found.append(CounterFaultTrue(one.kind, t, t + (one.for_s or 0.0), by))
        return sorted(found, key=lambda fault: fault.t_s)

    def _periods(self, before_s: float) -> range:
        return range(int(before_s // self.repeat_s) + 1) if self.repeat_s else range(1)


def encode(numbering: int, n: int, body: dict[str, object]) -> bytes:
    """The payload of message `n` of a numbering."""
    return _encode({"n": n, **body, "start": numbering} if numbering else {"n": n, **body})
