"""One stream on its way through order, presence, windows and metres; its findings come back as values."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache

import numpy as np
from numpy.typing import NDArray

from monitor.contract.config.base import LimitName
from monitor.contract.config.line import Line, StreamSettings
from monitor.contract.config.recipe import EventCheck, Recipe, Tape, Window
from monitor.contract.record import Finding, FindingKind, Floats, Rejected, Verdict
from monitor.core.alarms import AlarmEvent, Definition
from monitor.core.arrival import Block
from monitor.core.derived_streams import OVER_S, derived, moved_m_per_min
from monitor.core.limit import Crossing, Limit, Point, Stretch
from monitor.core.message_order import Released, StreamOrder
from monitor.core.metre_samples import Cells
from monitor.core.presence import Missing, Silence, Stuck
from monitor.core.state import STATES, StateTimeline
from monitor.core.track import PAST_S, Track
from monitor.core.zone_heat import ZoneHeat

SIGN: dict[LimitName, int] = {"LOLO": -1, "LO": -1, "HI": 1, "HIHI": 1}
VERDICT = {"none": Verdict.CONFORMING, "suspect": Verdict.SUSPECT, "nonconforming": Verdict.NONCONFORMING}

RUNNING = STATES.index("running")

Found = AlarmEvent | Finding | Rejected


@dataclass(frozen=True, slots=True)
class Extent:
    """A path interval that a stream covers: a station, or one pass of a zone."""

    start_m: float
    end_m: float
    suffix: str = ""


@cache
def _applies(states: tuple[str, ...]) -> NDArray[np.bool_]:
    """By index into `STATES`: whether a window of these states applies."""
    table = np.array([state in states for state in STATES])
    table.flags.writeable = False
    return table


def extents(line: Line, settings: StreamSettings) -> tuple[Extent, ...]:
    """Where on the path a stream's readings apply."""
    zones = [z for z in line.zone if z.temperature == settings.path]
    if zones:
        return tuple(Extent(z.start_m, z.end_m, f"/pass {z.pass_number}") for z in zones)
    station = line.stations[settings.station]
    if settings.kind == "events" or station.end_m is None:
        return (Extent(station.middle_m, station.middle_m),)
    return (Extent(station.position_m, station.end_m),)


def tape_of(settings: StreamSettings, recipes: Iterable[Recipe]) -> Tape | None:
    """The tape of a derived stream, where these recipes know one and the same; else None."""
    wanted = settings.derived.tape if settings.derived else None
    found = {tape for recipe in recipes for tape in recipe.tape if tape.name == wanted}
    return found.pop() if len(found) == 1 else None


@dataclass(slots=True, kw_only=True)
class Pending:
    """Samples in order that wait for the line's track to reach their time."""

    t_s: list[Floats] = field(default_factory=list)
    v: list[Floats] = field(default_factory=list)
    floor_s: list[float] = field(default_factory=list)
    seq: list[int] = field(default_factory=list)
    end_s: float = -np.inf
    late: int = 0

    def add(self, released: Released) -> None:
        """A message in its order; samples not newer than the newest are late and left out."""
        block = released.message.body
        assert isinstance(block, Block)
        t_s, v = block.t_s, block.v
        if t_s[0] <= self.end_s:
            first = int(np.searchsorted(t_s, self.end_s, side="right"))
            self.late += first
            if first == len(t_s):
                return
            t_s, v = t_s[first:], v[first:]
        self.end_s = float(t_s[-1])
        self.t_s.append(t_s)
        self.v.append(v)
        self.floor_s.append(released.known_s)
        self.seq.append(released.seq)

    def take(self, before_s: float) -> tuple[Floats, Floats, Floats, NDArray[np.int64]] | None:
        """Samples known before `before_s` as (t, v, known, seq), or None."""
        if not self.t_s or max(self.t_s[0][0], self.floor_s[0]) >= before_s:
            return None
        sizes = [len(t) for t in self.t_s]
        if len(sizes) == 1 and max(self.end_s, self.floor_s[0]) < before_s:
            return self._take_one()
        t_s = np.concatenate(self.t_s) if len(sizes) > 1 else self.t_s[0]
        v = np.concatenate(self.v) if len(sizes) > 1 else self.v[0]
        known = np.maximum(t_s, np.repeat(self.floor_s, sizes))
        seq = np.repeat(np.array(self.seq, dtype=np.int64), sizes)
        cut = int(np.searchsorted(known, before_s, side="left"))
        self._keep(t_s, v, seq, sizes, cut)
        return t_s[:cut], v[:cut], known[:cut], seq[:cut]

    def _take_one(self) -> tuple[Floats, Floats, Floats, NDArray[np.int64]]:
        """The only message that waits, whole."""
        t_s, v, floor_s, seq = self.t_s.pop(), self.v.pop(), self.floor_s.pop(), self.seq.pop()
        return t_s, v, np.maximum(t_s, floor_s), np.full(len(t_s), seq, dtype=np.int64)

    def _keep(self, t_s: Floats, v: Floats, seq: NDArray[np.int64], sizes: list[int], cut: int) -> None:
        ends = np.cumsum(sizes)
        first = int(np.searchsorted(ends, cut, side="right"))
        rest_t, rest_v = self.t_s[first:], self.v[first:]
        if rest_t:
            inside = cut - (int(ends[first - 1]) if first else 0)
            rest_t[0], rest_v[0] = rest_t[0][inside:], rest_v[0][inside:]
        self.t_s, self.v = rest_t, rest_v
        self.floor_s, self.seq = self.floor_s[first:], self.seq[first:]


@dataclass(slots=True)
class WindowCheck:
    """The limits of one window with the clocks they run on."""

    window: Window
    limits: dict[LimitName, Limit]
    shut: bool = False
    suppressed: set[LimitName] = field(default_factory=set)

    @classmethod
    def of(cls, window: Window) -> "WindowCheck":
        on = window.on_delay_m if window.on_delay_m is not None else window.on_delay_s or 0.0
        off = window.off_delay_m if window.off_delay_m is not None else window.off_delay_s or 0.0
        limits = {
            name: Limit(at=at, sign=SIGN[name], deadband=window.deadband, on_delay=on, off_delay=off)
            for name, at in window.limits.items()
        }
        return cls(window, limits)

    def applies(self, code: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether the window applies in these states, given as indices into `STATES`."""
        return _applies(tuple(self.window.states))[code]


@dataclass(slots=True)
class EventPulse:
    """An alarm that each event raises and that returns when none came for a while."""

    check: EventCheck
    until_s: float | None = None


@dataclass(slots=True, kw_only=True)
class StreamFlow:
    """State of one stream. `flow` takes what is known before a time and returns findings."""

    line: Line
    settings: StreamSettings
    order: StreamOrder
    where: tuple[Extent, ...]
    pending: Pending = field(default_factory=Pending)
    cells: Cells | None = None
    heat: ZoneHeat | None = None
    missing: Missing | None = None
    stuck: Stuck | None = None
    window: WindowCheck | None = None
    pulse: EventPulse | None = None
    tape: Tape | None = None
    middle_m: float = 0.0  # path position of the station
    ahead_m: float = 0.0  # of the counter: what is added to L for the line metre at the station
    too_late: int = 0
    newest: float = np.nan
    newest_s: float = -np.inf

    @classmethod
    def of(cls, line: Line, settings: StreamSettings) -> "StreamFlow":
        flow = cls(line=line, settings=settings, order=StreamOrder(reorder_s=line.reorder_s), where=())
        flow.place(line)
        if settings.kind == "samples":
            zone = any(z.temperature == settings.path for z in line.zone)
            flow.heat = ZoneHeat(held_s=settings.held_s) if zone else None
            flow.cells = None if zone or settings.path == line.counter.stream else Cells(held_s=settings.held_s)
        if settings.stuck_after_s:
            flow.stuck = Stuck(after_s=settings.stuck_after_s)
        return flow

    def place(self, line: Line) -> None:
        """Where on a line's path its readings apply."""
        self.line, self.where = line, extents(line, self.settings)
        self.middle_m = line.stations[self.settings.station].middle_m
        self.ahead_m = line.counter_m - self.middle_m

    def judge_by(self, recipe: Recipe | None) -> None:
        """Take the windows of another recipe; call `close` first for what is open under the old one."""
        windows = {w.stream: w for w in recipe.window} if recipe else {}
        checks = {e.stream: e for e in recipe.event_check} if recipe else {}
        window, check = windows.get(self.settings.path), checks.get(self.settings.path)
        self.window = WindowCheck.of(window) if window else None
        goes_on = self.pulse is not None and check is not None and self.pulse.check.name == check.name
        self.pulse = EventPulse(check, self.pulse.until_s if self.pulse and goes_on else None) if check else None
        if recipe is not None:  # with no drum at the take-up, what is wound goes on as before
            self.tape = tape_of(self.settings, [recipe])

    def close(self, t_s: float, L_m: float, after: Recipe | None) -> Iterator[Found]:
        """The recipe ends at `t_s`: open stretches end there, and so do their alarms.

        The alarm of an event goes on where the recipe `after` has its check too.
        """
        pulse, checks = self.pulse, after.event_check if after else []
        goes_on = pulse and any(e.stream == self.settings.path and e.name == pulse.check.name for e in checks)
        if pulse is not None and pulse.until_s is not None and not goes_on:
            pulse.until_s = min(pulse.until_s, t_s)
            yield from self._pulse_over(t_s)
        check = self.window
        if check is None:
            return
        here = Point(t_s=t_s, L_m=L_m, clock=0.0, value=self.newest, known_s=t_s, seq=-1)
        for name, limit in check.limits.items():
            crossing = limit.closed(here)
            if crossing is not None:
                yield from self._crossing(check, name, limit, crossing)
        for name in sorted(check.suppressed):
            yield AlarmEvent(
                known_s=t_s, seq=-1, t_s=t_s, alarm=f"{self.settings.path}/{name}", event="suppression ended"
            )

    @property
    def late(self) -> int:
        """How many messages and samples came too late to be used."""
        return self.order.late + self.pending.late + self.too_late

    @property
    def waits(self) -> tuple[float, float]:
        """How long its checks wait before they report, in s and in m of cable."""
        found = [(self.settings.missing_after_s or 0.0, 0.0), (self.settings.stuck_after_s or 0.0, 0.0)]
        if self.window is not None:
            w = self.window.window
            found += [(w.on_delay_s or 0.0, w.on_delay_m or 0.0), (w.off_delay_s or 0.0, w.off_delay_m or 0.0)]
        if self.pulse is not None:
            found.append((self.pulse.check.off_delay_s, 0.0))
        return max(s for s, _ in found), max(m for _, m in found)

    def definitions(self) -> dict[str, Definition]:
        """The alarms that this stream can raise now."""
        s, path = self.settings, self.settings.path
        found = {f"{path}/missing": Definition(s.priority, s.missing_after_s, "s")} if s.missing_after_s else {}
        if s.stuck_after_s:
            found[f"{path}/stuck"] = Definition(s.priority, s.stuck_after_s, "s")
        if self.window:
            w = self.window.window
            found |= {f"{path}/{n}": Definition(w.priority_of(n), at, w.unit) for n, at in w.limits.items()}
        if self.pulse:
            found[f"{path}/{self.pulse.check.name}"] = Definition(self.pulse.check.priority, None, s.unit)
        return found

    # ---- the flow ----------------------------------------------------------------------------------------

    def flow(self, before_s: float, upto_s: float, track: Track, states: StateTimeline) -> Iterator[Found]:
        """Use samples known before `before_s`; then report what waiting until `upto_s` without more has shown."""
        if self.settings.missing_after_s and self.missing is None:
            after_s, begin_s, begin_m = self.settings.missing_after_s, float(track.t_s[0]), float(track.L_m[0])
            self.missing = Missing(after_s=after_s, last_s=begin_s, last_m=begin_m)
        taken = self.pending.take(before_s)
        if taken is not None:
            yield from self._use(*taken, track, states)
        yield from self._wait(upto_s, track)

    def _use(
        self, t_s: Floats, v: Floats, known_s: Floats, seq: NDArray[np.int64], track: Track, states: StateTimeline
    ) -> Iterator[Found]:
        late, L_m = known_s - t_s > self.line.settle_s, track.at(t_s)
        is_late = late.any()
        if is_late:
            L_m[late] = track.was_at(t_s[late], known_s[late])
        if self.settings.derived:
            moved = moved_m_per_min(track, t_s)
            if is_late:
                moved[late] = (L_m[late] - track.was_at(t_s[late] - OVER_S, known_s[late])) * (60.0 / OVER_S)
            v = derived(self.settings.derived, self.tape, v, moved)
        missing = np.isnan(v)
        if is_late:
            lost = np.isnan(L_m)
            yield from self._too_late(t_s, known_s, seq, lost & ~missing)
            missing |= lost
        if missing.any():
            good = ~missing
            t_s, v, known_s, seq, L_m, late = t_s[good], v[good], known_s[good], seq[good], L_m[good], late[good]
        if len(t_s):
            yield from self._judge(t_s, v, known_s, seq, L_m, late if is_late else None, track, states)

    def _place(self, t_s: float, known_s: float, track: Track) -> float:
        """L at a time that became known then, m."""
        if known_s - t_s > self.line.settle_s:
            return float(track.was_at(np.array([t_s]), np.array([known_s]))[0])
        return float(track.at(t_s))

    def _too_late(
        self, t_s: Floats, known_s: Floats, seq: NDArray[np.int64], lost: NDArray[np.bool_]
    ) -> Iterator[Rejected]:
        """Samples so late that nobody knows which cable they are about; a derived one is reported by its source."""
        self.too_late += int(np.count_nonzero(lost))
        if self.settings.derived:
            return
        path, line = self.settings.path, self.line.line
        for of in np.unique(seq[lost]):
            samples = np.flatnonzero(lost & (seq == of))
            stamp_s, came_s = float(t_s[samples[0]]), float(known_s[samples[0]])
            is_old = came_s - stamp_s > PAST_S
            wanted = f"of the last {PAST_S / 3600:.0f} h" if is_old else "since the counter's first reading"
            why = (
                f"{path}: expected samples {wanted}, got {len(samples)} from "
                f"{datetime.fromtimestamp(stamp_s, UTC):%Y-%m-%d %H:%M:%S} UTC on, {came_s - stamp_s:.0f} s late: "
                "their metre is not known; mark the metres by hand"
            )
            yield Rejected(kind="too late", topic=f"*/{line}/{path}", why=why, received_s=came_s, line=line)

    def _judge(
        self, t_s: Floats, v: Floats, known_s: Floats, seq: NDArray[np.int64], L_m: Floats,
        late: NDArray[np.bool_] | None, track: Track, states: StateTimeline,
    ) -> Iterator[Found]:  # fmt: skip
        self.newest, self.newest_s = float(v[-1]), float(t_s[-1])
        if self.missing:
            yield from self._silences("missing", self.missing.receive(t_s, L_m, known_s, seq), track)
        if self.settings.kind == "events":
            yield from self._events(t_s, v, known_s, seq, L_m)
            return
        if self.stuck:
            moving = states.at(t_s) == RUNNING
            yield from self._silences("stuck", self.stuck.receive(t_s, v, moving, L_m, known_s, seq), track)
        if self.window:
            yield from self._windows(t_s, v, known_s, seq, L_m, states)
        self._gather(t_s, v, L_m, late)

    def _gather(self, t_s: Floats, v: Floats, L_m: Floats, late: NDArray[np.bool_] | None) -> None:
        if late is not None:
            self.too_late += int(late.sum())
            t_s, v, L_m = t_s[~late], v[~late], L_m[~late]
        if not len(t_s):
            return
        if self.heat:
            self.heat.add(t_s, v)
        elif self.cells:
            self.cells.add(L_m + self.ahead_m, t_s, v)

    def _windows(
        self, t_s: Floats, v: Floats, known_s: Floats, seq: NDArray[np.int64], L_m: Floats, states: StateTimeline
    ) -> Iterator[Found]:
        check = self.window
        assert check is not None
        least, most = float(v[v.argmin()]), float(v[v.argmax()])
        busy = [(name, limit) for name, limit in check.limits.items() if not limit.quiet(least, most)]
        if not busy and not check.suppressed:
            return
        applies = check.applies(states.at(t_s))
        yield from self._suppression(check, sorted(check.suppressed), applies, t_s, known_s, seq)
        stretch = Stretch(t_s=t_s, v=v, L_m=L_m, known_s=known_s, seq=seq, open=applies)
        clocks = (
            L_m if check.window.on_delay_m is not None else t_s,
            L_m if check.window.off_delay_m is not None else t_s,
        )
        for name, limit in busy:
            for crossing in limit.feed(stretch, *clocks):
                yield from self._crossing(check, name, limit, crossing)
                if crossing.gated:  # within these samples it may be released again
                    yield from self._suppression(check, [name], applies & (t_s > crossing.at.t_s), t_s, known_s, seq)

    def _suppression(
        self, check: WindowCheck, names: list[LimitName], applies: NDArray[np.bool_], t_s: Floats, known_s: Floats,
        seq: NDArray[np.int64],
    ) -> Iterator[Found]:  # fmt: skip
        """When the line's state lets the window apply again, a condition put aside is judged again."""
        if not names or not applies.any():
            return
        i = int(np.argmax(applies))
        for name in names:
            yield AlarmEvent(
                known_s=float(known_s[i]),
                seq=int(seq[i]),
                t_s=float(t_s[i]),
                alarm=f"{self.settings.path}/{name}",
                event="suppression ended",
            )
            check.suppressed.discard(name)

    def _crossing(self, check: WindowCheck, name: LimitName, limit: Limit, crossing: Crossing) -> Iterator[Found]:
        event = "raised" if crossing.raised else "suppressed" if crossing.gated else "returned"
        if crossing.gated:
            check.suppressed.add(name)
        at, extent = crossing.at, self.where[0]
        metre = crossing.start.L_m + self.line.counter_m - extent.end_m
        alarm = f"{self.settings.path}/{name}"
        yield AlarmEvent(
            known_s=at.known_s, seq=at.seq, t_s=at.t_s, alarm=alarm, event=event, value=at.value, line_metre=metre
        )
        yield from self._finding(check.window, name, limit.at, crossing)

    def _finding(self, window: Window, name: LimitName, at: float, crossing: Crossing) -> Iterator[Finding]:
        end = crossing.end
        for extent in self.where:
            yield Finding(
                line=self.line.line,
                key=f"{self.settings.path}/{name}{extent.suffix}@{round(crossing.start.t_s * 1e3)}",
                kind=FindingKind.WINDOW,
                stream=self.settings.path,
                check=name,
                verdict=VERDICT[window.verdict_of(name)],
                start_m=crossing.start.L_m + self.line.counter_m - extent.end_m,
                end_m=end.L_m + self.line.counter_m - extent.start_m if end else None,
                start_s=crossing.start.t_s,
                end_s=end.t_s if end else None,
                extreme=crossing.extreme,
                limit=at,
                unit=window.unit,
                text=extent.suffix.lstrip("/"),
            )

    def _events(self, t_s: Floats, v: Floats, known_s: Floats, seq: NDArray[np.int64], L_m: Floats) -> Iterator[Found]:
        if not self.pulse:
            return
        check = self.pulse.check
        alarm = f"{self.settings.path}/{check.name}"
        offset = self.line.counter_m - self.where[0].start_m
        for t, value, known, s, M in zip(
            t_s.tolist(), v.tolist(), known_s.tolist(), seq.tolist(), (L_m + offset).tolist(), strict=True
        ):
            yield from self._pulse_over(known)
            event = "raised" if self.pulse.until_s is None else "again"
            yield AlarmEvent(known_s=known, seq=s, t_s=t, alarm=alarm, event=event, value=value, line_metre=M)
            self.pulse.until_s = known + check.off_delay_s
            yield Finding(
                line=self.line.line,
                key=f"{alarm}@{round(t * 1e3)}",
                kind=FindingKind.FAULT,
                stream=self.settings.path,
                check=check.name,
                verdict=VERDICT[check.verdict],
                start_m=M - check.guard_m,
                end_m=M + check.guard_m,
                start_s=t,
                end_s=t,
                extreme=value,
                limit=None,
                unit=self.settings.unit,
            )

    def _pulse_over(self, upto_s: float) -> Iterator[Found]:
        pulse = self.pulse
        if pulse is not None and pulse.until_s is not None and pulse.until_s <= upto_s:
            until, pulse.until_s = pulse.until_s, None
            yield AlarmEvent(
                known_s=until, seq=-1, t_s=until, alarm=f"{self.settings.path}/{pulse.check.name}", event="returned"
            )

    def _wait(self, upto_s: float, track: Track) -> Iterator[Found]:
        if self.missing:
            yield from self._silences("missing", self.missing.wait(upto_s), track)
        yield from self._pulse_over(upto_s)

    def _silences(self, check: str, silences: list[Silence], track: Track) -> Iterator[Found]:
        """`missing` and `stuck`: an alarm each, and the stretch of cable without data."""
        alarm = f"{self.settings.path}/{check}"
        for silence in silences:
            event = "raised" if silence.begins else "returned"
            metre = silence.since_m + self.line.counter_m - self.where[0].end_m
            yield AlarmEvent(
                known_s=silence.known_s, seq=silence.seq, t_s=silence.t_s, alarm=alarm, event=event, line_metre=metre
            )
            yield from self._unverified(check, silence, track)

    def _unverified(self, check: str, silence: Silence, track: Track) -> Iterator[Finding]:
        settings, offset = self.settings, self.line.counter_m
        ended_m = self._place(silence.t_s, silence.known_s, track)
        for extent in self.where:
            yield Finding(
                line=self.line.line,
                key=f"{settings.path}/{check}{extent.suffix}@{round(silence.since_s * 1e3)}",
                kind=FindingKind(check),
                stream=settings.path,
                check=check,
                verdict=Verdict.UNVERIFIED if settings.required else Verdict.CONFORMING,
                start_m=silence.since_m + offset - extent.end_m,
                end_m=None if silence.begins else ended_m + offset - extent.start_m,
                start_s=silence.since_s,
                end_s=None if silence.begins else silence.t_s,
                extreme=None,
                limit=settings.missing_after_s if check == "missing" else settings.stuck_after_s,
                unit="s",
                text=extent.suffix.lstrip("/"),
            )
