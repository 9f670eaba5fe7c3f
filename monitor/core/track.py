"""Line metre as a function of time: the counter where valid, integrated speed otherwise; monotonic."""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from monitor.contract import bounds
from monitor.contract.config.line import Line
from monitor.contract.record import CounterFault, Floats

GRID_M = 2.0**-22  # see `to_grid`
SLIP_SPAN_M = 10.0
COASTS_S = 0.5
START_EVERY_S = 60.0
START_BEFORE_S = 120.0  # before the oldest cable in the line, so that delays and limits have begun
BLIND_S = 2.0  # speed samples further apart than this show little of what lies between
PAST_S = 4 * 3600.0  # how far back a sample that comes late can still be given its metre
PAST_STEP_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackStart:
    """A track at a reading of its counter, where another track may begin and produce the same knots to the bit.

    `offset_m` is added to the reading; `L_m` is the line metre reached. `slip` is where the span began over which
    counter and speed are compared: reading, metres by speed since then, offset. `speed` is the newest sample by then:
    UTC s, m/s, metres by speed since then. `blind_s` ends the newest piece without speed. `is_first`: of the line.
    """

    t_s: float
    reading_m: float
    offset_m: float
    L_m: float
    slip: tuple[float, float, float] | None
    slipping: bool
    speed: tuple[float, float, float] | None
    blind_s: float | None
    is_first: bool

    def moved(self, by_m: float) -> "TrackStart":
        """The same cable where the counter has moved along the path."""
        by_m = to_grid(by_m)
        slip = self.slip and (self.slip[0], self.slip[1], self.slip[2] + by_m)
        is_first = self.is_first and by_m == 0
        return replace(self, offset_m=self.offset_m + by_m, L_m=self.L_m + by_m, slip=slip, is_first=is_first)


def _empty() -> Floats:
    return np.empty(0)


@dataclass(slots=True, kw_only=True)
class Track:
    """L(t) by its knots, final up to `end_s`. Fed by the counter's readings (m) and the speed's (m/s), each in order.

    A counter that resets, wraps, jumps or slips is bridged by speed and reported once; the reading afterwards counts
    on from there. One that does not move although the speed does slips. Sums run sample by sample, so that any cut of
    the input gives the same knots to the bit. Whatever is added to a reading lies on a grid, so that a track that
    begins at another reading comes to the same knots too.

    Knots are kept for the cable in the line. Beside them is a thin past, for samples that come late: of the readings,
    and of the speed's samples where no reading was, the first in each `PAST_STEP_S` of UTC, for `PAST_S`.
    """

    line: str
    jump_m: float
    slip_percent: float
    wraps_at_m: float | None = None
    start_m: float | None = None
    t_s: Floats = field(default_factory=_empty)
    L_m: Floats = field(default_factory=_empty)
    faults: list[CounterFault] = field(default_factory=list)
    slips: list[tuple[float, float, float]] = field(default_factory=list)  # (UTC s, reading, L) while a slip goes on
    starts: list[TrackStart] = field(default_factory=list)  # the first lies well before the oldest cable in the line
    _counter: list[tuple[float, float]] = field(default_factory=list)  # readings not yet used
    _speed_t: list[float] = field(default_factory=list)
    _speed_v: list[float] = field(default_factory=list)
    _speed_S: list[float] = field(default_factory=list)  # metres by speed since the first sample
    _counter_end_s: float = -np.inf
    _last: tuple[float, float, float, float] | None = None  # (t, reading, offset, S) at the newest reading
    _slip: tuple[float, float, float] | None = None  # (reading, S, offset) where this span began
    _slipping: bool = False
    _blind_s: float = -np.inf  # end of the newest piece without speed
    _raw_m: float = 0.0
    _past_t: list[float] = field(default_factory=list)
    _past_L: list[float] = field(default_factory=list)
    _past_due_s: float = -np.inf  # the next one is kept from then on

    @classmethod
    def of(cls, line: Line) -> "Track":
        """The track of a line by the limits of its counter."""
        c = line.counter
        return cls(
            line=line.line, jump_m=c.jump_tolerance_m, slip_percent=c.slip_tolerance_percent, wraps_at_m=c.wraps_at_m
        )

    @property
    def end_s(self) -> float:
        """Time up to which L is final; minus infinity before there is any."""
        return float(self.t_s[-1]) if len(self.t_s) else -np.inf

    @property
    def now_m(self) -> float:
        """L at `end_s`; 0 before there is any."""
        return float(self.L_m[-1]) if len(self.L_m) else 0.0

    @property
    def speed_m_per_s(self) -> float:
        """Newest speed sample; 0 before there is any."""
        return self._speed_v[-1] if self._speed_v else 0.0

    def add_counter(self, t_s: Floats, reading_m: Floats) -> None:
        """Readings in order of time; NaN readings are passed over."""
        self._counter += [(t, r) for t, r in zip(t_s.tolist(), reading_m.tolist(), strict=True) if r == r]
        if len(t_s):
            self._counter_end_s = max(self._counter_end_s, float(t_s[-1]))
        self._use_counter()

    def add_speed(self, t_s: Floats, v_m_per_s: Floats) -> None:
        """Speed samples in order of time; NaN is passed over, reverse counts as stopped."""
        for t, v in zip(t_s.tolist(), v_m_per_s.tolist(), strict=True):
            if v == v:
                self._append_speed(t, max(v, 0.0))
        self._use_counter()

    def extend(self, until_s: float) -> None:
        """The counter stays silent: go on to `until_s` by speed, holding the newest speed as the best estimate."""
        self._stand_in_for_speed(until_s)
        measured_s = self._speed_t[-1] if self._speed_t else -np.inf
        if self._speed_t and until_s > self._speed_t[-1]:
            # No stream shows movement any more: the line is taken to be stopped until one does.
            self._append_speed(min(self._speed_t[-1] + COASTS_S, until_s), 0.0)
            self._append_speed(until_s, 0.0)
            self._blind_s = until_s
        self._use_counter()
        if not self._speed_t:
            self._append_speed(until_s, 0.0)
        if not len(self.t_s):
            self._begin(self._speed_t[0], self.start_m or 0.0)
        first, last = bisect_right(self._speed_t, self.end_s), bisect_left(self._speed_t, until_s)
        is_measured = self._speed_t[last : last + 1] == [until_s]
        self._raw_m = to_grid(self._raw_m)
        for t in [*self._speed_t[first:last], until_s]:
            if t > self.end_s:
                self._raw_m += self._by_speed(self.end_s, t)
                self._knot(t, self._raw_m)
                if self._past_due_s <= t <= measured_s and (t < until_s or is_measured):
                    self._keep_past(t, self.now_m)
        self._forget_speed()

    def at(self, t_s: Floats | float) -> Floats:
        """L at times up to `end_s`, m; before the first knot the first L, after the last the last."""
        t_s = np.asarray(t_s, dtype=np.float64)
        return np.asarray(np.interp(t_s, self.t_s, self.L_m) if len(self.t_s) else np.zeros_like(t_s))

    def was_at(self, t_s: Floats, known_s: Floats) -> Floats:
        """L at rising times of samples that were known late, by the thin past as it was when each became known, m.

        NaN where that is more than `PAST_S` ago, or before the first knot.
        """
        if not len(t_s) or not self._past_t:
            return np.full(len(t_s), np.nan)
        first = max(bisect_right(self._past_t, float(t_s[0])) - 1, 0)
        last = bisect_right(self._past_t, float(t_s[-1])) + 1
        past_t, past_L = np.array(self._past_t[first:last]), np.array(self._past_L[first:last])
        before = np.searchsorted(past_t, t_s, side="right") - 1
        at = np.maximum(before, 0)
        after = np.minimum(at + 1, len(past_t) - 1)
        span_s = past_t[after] - past_t[at]
        reached = (span_s > 0.0) & (past_t[after] <= known_s)
        share = np.divide(t_s - past_t[at], span_s, out=np.zeros(len(t_s)), where=reached)
        is_known = (before >= 0) & (known_s - t_s <= PAST_S)
        return np.where(is_known, past_L[at] + share * (past_L[after] - past_L[at]), np.nan)

    @property
    def newest_reading(self) -> tuple[float, float] | None:
        """When the counter gave the newest reading that was used, UTC s, and L there; None before there is any."""
        return None if self._last is None else (self._last[0], float(self.at(self._last[0])))

    @property
    def past(self) -> tuple[list[float], list[float]]:
        """Times (UTC s) and metres of the thin past."""
        return self._past_t.copy(), self._past_L.copy()

    def remember(self, t_s: Sequence[float], L_m: Sequence[float]) -> None:
        """Take over the thin past of a track that was there before this one, which has none yet."""
        self._past_t, self._past_L = list(t_s), list(L_m)
        self._past_due_s = _next_step(self._past_t[-1]) if self._past_t else -np.inf

    def when(self, L_m: Floats) -> Floats:
        """Time at which L was last at these metres (it may have been stopped there); NaN outside what is known."""
        if not len(self.t_s):
            return np.full_like(L_m, np.nan)
        # Of several knots at one metre np.interp takes the last; a test holds it to that.
        return np.asarray(np.interp(L_m, self.L_m, self.t_s, left=np.nan, right=np.nan))

    def forget_before(self, L_m: float, wait_s: float = 0.0, wait_m: float = 0.0) -> None:
        """Drop knots and starts that no metre beyond `L_m` needs; checks wait so long before they report."""
        while len(self.starts) > 1 and self.starts[1].L_m <= L_m - wait_m:
            if not self.starts[1].t_s <= float(self.when(np.array([L_m]))[0]) - START_BEFORE_S - wait_s:
                break
            del self.starts[0]
        first = int(np.searchsorted(self.L_m, L_m, side="left")) - 1
        if first > 256:
            self.t_s, self.L_m = self.t_s[first:], self.L_m[first:]
        past = bisect_right(self._past_t, self.end_s - PAST_S) - 1
        if past > 256:
            del self._past_t[:past], self._past_L[:past]

    def begin(self, t_s: float, L_m: float) -> None:
        """A line of which only a place is known: it was at `L_m` at `t_s`. For a track that has nothing yet."""
        self.start_m = L_m
        self._begin(t_s, L_m)

    def start_at(self, start: TrackStart) -> None:
        """Go on as another track did. For one that has nothing yet; what was before the start is passed over."""
        self.starts = [start]
        self._last = (start.t_s, start.reading_m, start.offset_m, 0.0)
        self._slip = start.slip and (start.slip[0], -start.slip[1], start.slip[2])
        self._slipping = start.slipping
        self._blind_s = -np.inf if start.blind_s is None else start.blind_s
        if start.speed is not None:
            t_s, v, since_m = start.speed
            self._speed_t, self._speed_v, self._speed_S = [t_s], [v], [-since_m]
        self._begin(start.t_s, start.L_m)
        self._raw_m = start.reading_m + start.offset_m

    def shift(self, by_m: float) -> None:
        """Count on from `by_m` further; where that is back, the track waits until that is made up for."""
        self.starts = []
        self._raw_m += by_m
        self._past_L = [L + by_m for L in self._past_L]
        if self._last is not None:
            t, reading, offset, S = self._last
            self._last = (t, reading, offset + to_grid(by_m), S)
        if self._slip is not None:
            reading, S, offset = self._slip
            self._slip = (reading, S, offset + to_grid(by_m))
        if len(self.t_s) and by_m > 0:
            self._knot(float(np.nextafter(self.end_s, np.inf)), self.now_m + by_m)

    # ---- inside ------------------------------------------------------------------------------------------

    def _forget_speed(self) -> None:
        """Drop speed samples that no reading to come can need."""
        oldest = min(self.end_s, self._last[0] if self._last else np.inf)
        keep = bisect_left(self._speed_t, oldest) - 2
        if keep > 64:
            del self._speed_t[:keep], self._speed_v[:keep], self._speed_S[:keep]

    def _append_speed(self, t: float, v: float) -> None:
        if self._speed_t:
            if t <= self._speed_t[-1]:
                return
            if t - self._speed_t[-1] > BLIND_S:
                self._blind_s = t
            step = to_grid(0.5 * (v + self._speed_v[-1]) * (t - self._speed_t[-1]))
            self._speed_S.append(self._speed_S[-1] + step)
        else:
            self._speed_S.append(0.0)
        self._speed_t.append(t)
        self._speed_v.append(v)

    def _stand_in_for_speed(self, until_s: float) -> None:
        """Where only the counter sends, its differences replace the speed, as far as they can be true."""
        known = [(self._last[0], self._last[1])] if self._last else []
        for (t0, r0), (t1, r1) in pairwise(known + self._counter):
            newest = self._speed_t[-1] if self._speed_t else -np.inf
            if newest < t1 <= until_s and t1 > t0:
                self._append_speed(max(t0, newest) if newest > -np.inf else t0, 0.0)
                step = min(max(r1 - r0, 0.0), bounds.SPEED_M_PER_S * (t1 - t0))
                self._speed_t.append(t1)
                self._speed_v.append(step / (t1 - t0))
                self._speed_S.append(self._speed_S[-1] + to_grid(step))

    def _by_speed(self, a_s: float, b_s: float) -> float:
        """Metres between two times by speed."""
        return self._swept(b_s) - self._swept(a_s)

    def _swept(self, t_s: float) -> float:
        """Metres by speed up to a time, since the first sample; the newest sample's after it."""
        at = bisect_right(self._speed_t, t_s) - 1
        if at < 0 or at + 1 == len(self._speed_t):
            return self._speed_S[max(at, 0)]
        share = (t_s - self._speed_t[at]) / (self._speed_t[at + 1] - self._speed_t[at])
        return self._speed_S[at] + to_grid(share * (self._speed_S[at + 1] - self._speed_S[at]))

    def _use_counter(self) -> None:
        """Readings that the speed has caught up with become knots."""
        if not self._speed_t or not self._counter:
            return
        upto = self._speed_t[-1]
        knots_t: list[float] = []
        knots_L: list[float] = []
        ready = self._counter[: bisect_right(self._counter, (upto, np.inf))]
        if not ready:
            return
        end, top = self.end_s, self.now_m
        for t, reading in ready:
            swept, is_first = self._swept(t), self._last is None and self.start_m is None
            if self._last is None:
                if not len(self.t_s) and not knots_t:
                    self._raw_m = reading if self.start_m is None else self.start_m
                offset = to_grid(self._raw_m - reading)
                self._raw_m = reading + offset
                top = max(top, self._raw_m) if len(self.t_s) or knots_t else self._raw_m
                self._last = (t, reading, offset, swept)
            elif t > self._last[0]:
                self._raw_m = self._step(t, reading, swept)
            else:
                continue
            if t > end:
                top = max(top, self._raw_m)
                knots_t.append(t)
                knots_L.append(top)
                end = t
                if t >= self._past_due_s:
                    self._keep_past(t, top)
                self._keep_start(top, is_first)
        del self._counter[: len(ready)]
        self._put(knots_t, knots_L)
        self._forget_speed()

    def _step(self, t: float, reading: float, S: float) -> float:
        """Metres at a new reading; a faulty one is bridged by speed and reported."""
        assert self._last is not None
        t0, reading0, offset, S0 = self._last
        by_counter, by_speed = reading - reading0, S - S0
        if t0 < self._blind_s and 0 <= by_counter <= bounds.SPEED_M_PER_S * (t - t0):
            by_speed = by_counter  # there was no speed to compare with
            self._slip = None
        allowed = self.jump_m + self.slip_percent / 100 * by_speed
        kind, bridged_m = None, by_speed - by_counter if self._slipping else 0.0
        counts_on = 0.0 <= by_counter <= bounds.SPEED_M_PER_S * (t - t0)
        if abs(by_counter - by_speed) > allowed and not (self._slipping and counts_on):
            kind = "reset" if reading < self.jump_m + by_speed else "jump"
            bridged_m = by_speed - by_counter
            if counts_on and self._slip is None:  # the reading before was at fault too: this is no jump
                kind, self._slipping = "slip", True
            elif self.wraps_at_m and abs(self.wraps_at_m - bridged_m) <= allowed:
                kind, bridged_m = "wrap", bridged_m if self._slipping else self.wraps_at_m
        offset += to_grid(bridged_m)
        if kind is not None:
            self.faults.append(
                CounterFault(
                    line=self.line,
                    kind=kind,
                    t_s=t,
                    reading_m=reading,
                    expected_m=reading0 + by_speed,
                    line_metre=reading + offset,
                )
            )
            self._slip = (reading, S, offset) if kind == "slip" else None
        elif self._slipping:
            self.slips.append((t, reading, reading + offset))
        self._last = (t, reading, offset, S)
        return reading + self._watch_slip(t, reading, reading0, offset, S)

    def _watch_slip(self, t: float, reading: float, reading_before: float, offset: float, S: float) -> float:
        """Compare counter and speed over each span of some metres; returns the offset, another where slip begins.

        Spans end where the reading enters other `SLIP_SPAN_M`, so that they do not depend on where the track began.
        """
        entered = reading // SLIP_SPAN_M != reading_before // SLIP_SPAN_M
        if self._slip is None:
            self._slip = (reading, S, offset) if entered else None
            return offset
        reading0, S0, offset0 = self._slip
        by_counter, by_speed = reading - reading0, S - S0
        if not entered and by_speed < 2 * SLIP_SPAN_M:
            return offset
        off = abs(by_counter - by_speed) > self.slip_percent / 100 * max(by_counter, by_speed)
        if max(by_counter, by_speed) < SLIP_SPAN_M / 2:  # too short to judge
            off = self._slipping
        if off and not self._slipping:
            offset = offset0 + to_grid(by_speed - by_counter)
            self.faults.append(
                CounterFault(
                    line=self.line,
                    kind="slip",
                    t_s=t,
                    reading_m=reading,
                    expected_m=reading0 + by_speed,
                    line_metre=reading + offset,
                )
            )
        self._slipping = off
        self._slip = (reading, S, offset)
        self._last = (t, reading, offset, S)
        return offset

    def _keep_start(self, L_m: float, is_first: bool) -> None:
        """Keep the state at the newest reading, now and then while the line moves."""
        assert self._last is not None
        t, reading, offset, S = self._last
        if self.starts and (t < self.starts[-1].t_s + START_EVERY_S or L_m <= self.starts[-1].L_m):
            return
        at = bisect_right(self._speed_t, t) - 1
        self.starts.append(
            TrackStart(
                t_s=t, reading_m=reading, offset_m=offset, L_m=L_m,
                slip=self._slip and (self._slip[0], S - self._slip[1], self._slip[2]), slipping=self._slipping,
                speed=(self._speed_t[at], self._speed_v[at], S - self._speed_S[at]) if at >= 0 else None,
                blind_s=self._blind_s if self._blind_s > -np.inf else None, is_first=is_first,
            )
        )  # fmt: skip

    def _keep_past(self, t: float, L: float) -> None:
        self._past_t.append(t)
        self._past_L.append(L)
        self._past_due_s = _next_step(t)

    def _begin(self, t: float, L: float) -> None:
        self._raw_m = L
        self._put([t], [L])
        if t >= self._past_due_s:
            self._keep_past(t, L)

    def _knot(self, t: float, L: float) -> None:
        self._put([t], [max(L, self.now_m)])

    def _put(self, t: list[float], L: list[float]) -> None:
        if not t:
            return
        if len(self.L_m) >= 2 and self.L_m[-1] == self.L_m[-2] == L[0]:  # stopped: stretch the plateau
            self.t_s, self.L_m = self.t_s[:-1], self.L_m[:-1]
        self.t_s = np.concatenate((self.t_s, t))
        self.L_m = np.concatenate((self.L_m, L))


def _next_step(t_s: float) -> float:
    """When the step of the thin past that a time is in ends."""
    return (t_s // PAST_STEP_S + 1.0) * PAST_STEP_S


def to_grid(by_m: float) -> float:
    """To a multiple of `GRID_M`, so that sums are exact below 2^31 m: none depends on where it began."""
    return round(by_m / GRID_M) * GRID_M
