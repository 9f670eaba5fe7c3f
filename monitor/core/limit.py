"""One limit of one stream: on-delay, deadband and off-delay turn samples into `raised` and `returned`.

Semantics of OPC UA part 9 (10000-9, B.1.5): the value must stay beyond the limit for the whole on-delay; once
active it returns only when back by more than the deadband, and only after staying there for the off-delay.
Delays run on a clock that comes in beside the values: seconds, or metres of cable.
"""

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from monitor.contract.record import Floats


class Mode(Enum):
    """State of a limit."""

    IDLE = "idle"
    PENDING = "pending"
    ACTIVE = "active"
    LEAVING = "leaving"


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A place in the stream: time, line metre at the counter, clock of the delays, value, what was known then."""

    t_s: float
    L_m: float
    clock: float
    value: float
    known_s: float
    seq: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """A limit is raised or returns, at `at`, for the stretch from `start` to `end`; `gated`: by the line's state."""

    raised: bool
    at: Point
    start: Point
    end: Point | None
    extreme: float
    gated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Samples of one stream with all that a check needs; arrays of equal length, values without NaN."""

    t_s: Floats
    v: Floats
    L_m: Floats
    known_s: Floats
    seq: NDArray[np.int64]
    open: NDArray[np.bool_]  # whether the line's state lets the window apply

    def __len__(self) -> int:
        return len(self.t_s)

    def point(self, i: int, clock: Floats) -> Point:
        """Sample `i` as a point."""
        known, seq = float(self.known_s[i]), int(self.seq[i])
        return Point(
            t_s=float(self.t_s[i]),
            L_m=float(self.L_m[i]),
            clock=float(clock[i]),
            value=float(self.v[i]),
            known_s=known,
            seq=seq,
        )


@dataclass(slots=True, kw_only=True)
class Limit:
    """Carried state of one limit. `sign` is +1 for HI, -1 for LO. Equal to the limit is not beyond it."""

    at: float
    sign: int
    deadband: float
    on_delay: float
    off_delay: float
    mode: Mode = Mode.IDLE
    start: Point | None = None
    left: Point | None = None
    extreme: float = -np.inf

    def quiet(self, least: float, most: float) -> bool:
        """Whether a stretch with these extremes cannot change anything here."""
        return self.mode is Mode.IDLE and (most <= self.at if self.sign > 0 else least >= self.at)

    def closed(self, here: Point) -> Crossing | None:
        """The end of an open stretch where the limit is judged no further; None where nothing does."""
        if self.mode not in (Mode.ACTIVE, Mode.LEAVING) or self.start is None:
            return None
        end = self.left if self.mode is Mode.LEAVING else here
        return Crossing(raised=False, at=here, start=self.start, end=end or here, extreme=self.sign * self.extreme)

    def feed(self, stretch: Stretch, on_clock: Floats, off_clock: Floats) -> list[Crossing]:
        """Crossings in a stretch that follows the last one; the clocks of both delays as long as it, rising."""
        x = self.sign * stretch.v
        beyond = (x > self.sign * self.at) & stretch.open
        holding = (x > self.sign * self.at - self.deadband) & stretch.open
        look = _Look(
            stretch=stretch,
            on_clock=on_clock,
            off_clock=off_clock,
            x=x,
            beyond=np.flatnonzero(beyond),
            inside=np.flatnonzero(~beyond),
            holding=np.flatnonzero(holding),
            back=np.flatnonzero(~holding),
        )
        crossings: list[Crossing] = []
        i: int | None = 0
        while i is not None and i < len(stretch):
            i = _STEP[self.mode](self, look, i, crossings)
        return crossings

    def _idle(self, look: "_Look", i: int, out: list[Crossing]) -> int | None:
        j = _next(look.beyond, i)
        if j is not None:
            self.start = look.stretch.point(j, look.on_clock)
            self.extreme = -np.inf
            self.mode = Mode.PENDING
        return j

    def _pending(self, look: "_Look", i: int, out: list[Crossing]) -> int | None:
        assert self.start is not None
        stop = _next(look.inside, i)
        due = _first_at(look.on_clock, self.start.clock + self.on_delay, i)
        if due is not None and (stop is None or due < stop):
            self._see(look, i, due + 1)
            self.mode = Mode.ACTIVE
            out.append(
                Crossing(
                    raised=True,
                    at=look.stretch.point(due, look.on_clock),
                    start=self.start,
                    end=None,
                    extreme=self.sign * self.extreme,
                )
            )
            return due + 1
        self._see(look, i, stop)
        if stop is not None:
            self.mode = Mode.IDLE
        return stop

    def _active(self, look: "_Look", i: int, out: list[Crossing]) -> int | None:
        j = _next(look.back, i)
        self._see(look, i, j)
        if j is not None:
            self.left = look.stretch.point(j, look.off_clock)
            self.mode = Mode.LEAVING
        return j

    def _leaving(self, look: "_Look", i: int, out: list[Crossing]) -> int | None:
        assert self.start is not None
        assert self.left is not None
        again = _next(look.holding, i)
        due = _first_at(look.off_clock, self.left.clock + self.off_delay, i)
        shut = _next(look.shut, i)
        if shut is not None and (again is None or shut < again) and (due is None or shut <= due):
            return self._end(look, shut, out, gated=True)
        if due is not None and (again is None or due < again):
            return self._end(look, due, out, gated=False)
        if again is not None:
            self.mode = Mode.ACTIVE
        return again

    def _end(self, look: "_Look", i: int, out: list[Crossing], gated: bool) -> int:
        assert self.start is not None
        out.append(
            Crossing(
                raised=False,
                at=look.stretch.point(i, look.off_clock),
                start=self.start,
                end=self.left,
                extreme=self.sign * self.extreme,
                gated=gated,
            )
        )
        self.mode = Mode.IDLE
        return i if not gated else i + 1

    def _see(self, look: "_Look", i: int, j: int | None) -> None:
        part = look.x[i:j]
        if len(part):
            self.extreme = max(self.extreme, float(part.max()))


@dataclass(slots=True, kw_only=True)
class _Look:
    """A stretch with the places of each condition, found once."""

    stretch: Stretch
    on_clock: Floats
    off_clock: Floats
    x: Floats
    beyond: NDArray[np.intp]
    inside: NDArray[np.intp]
    holding: NDArray[np.intp]
    back: NDArray[np.intp]
    _shut: NDArray[np.intp] | None = None

    @property
    def shut(self) -> NDArray[np.intp]:
        if self._shut is None:
            self._shut = np.flatnonzero(~self.stretch.open)
        return self._shut


def _first_at(clock: Floats, due: float, i: int) -> int | None:
    """First place from `i` on where the clock has come to `due`."""
    j = max(int(np.searchsorted(clock, due, side="left")), i)
    return j if j < len(clock) else None


def _next(places: NDArray[np.intp], i: int) -> int | None:
    """First of the places from `i` on."""
    j = int(np.searchsorted(places, i))
    return int(places[j]) if j < len(places) else None


_STEP = {Mode.IDLE: Limit._idle, Mode.PENDING: Limit._pending, Mode.ACTIVE: Limit._active, Mode.LEAVING: Limit._leaving}
