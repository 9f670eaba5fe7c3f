"""The curing stage: an element for the middle of each whole metre, marched from the head to the take-up.

An element moves only over what is final: up to the settled end of the track and of each oven's samples. Steps end on
a fixed grid of time, on samples and on edges of zones, so that no cut of the stream shows. The result is known
`delay_s` after it reached the take-up.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.record import Finding, FindingKind, Floats, Ints, Priority, Verdict
from monitor.core.alarms import AlarmEvent, Definition
from monitor.core.cure.forecast import Forecast, Inside, foresee, room, slowest_m_s
from monitor.core.cure.plan import COLD_INSIDE, COOLING, DEGRADED, INNER, PEAK, SHEAVE, Plan, longest_held_s
from monitor.core.limit import Crossing, Limit, Mode, Stretch
from monitor.core.state import STATES, StateTimeline
from monitor.core.stream import VERDICT
from monitor.core.track import Track
from monitor.core.zone_heat import ZoneHeat
from monitor.physics.cure import new_elements
from monitor.physics.heat_march import Elements, Media, march
from monitor.physics.margins import Margin, Margins

FORECAST_EVERY_S = 5.0
MARCH_EVERY_S = 1.0
OFF_DELAY_M = 1.0
FORECAST_ALARM = "cure/forecast/undercured"

STANDING = (Mode.ACTIVE, Mode.LEAVING)

Found = AlarmEvent | Finding


@dataclass(slots=True, kw_only=True)
class CureCheck:
    """One limit on one column of the metres that leave, and its severity."""

    column: str
    check: str
    limit: Limit
    verdict: Verdict
    priority: Priority
    unit: str = ""

    @property
    def alarm(self) -> str:
        return f"{self.column}/{self.check}"

    @classmethod
    def all_of(cls, recipe: Recipe) -> "list[CureCheck]":
        """The checks of a recipe."""
        c, cold = recipe.cure, recipe.cooling
        if c is None:
            assert cold is not None
            warm = partial(cls, verdict=VERDICT[cold.verdict], priority=cold.priority, unit="degC")
            return [warm(column=COLD_INSIDE, check="too-warm", limit=_limit(cold.inside_max_C, 1))]
        bad = partial(cls, verdict=Verdict.NONCONFORMING, priority=c.priority)
        doubt = partial(cls, verdict=Verdict.SUSPECT, priority=Priority.LOW)
        checks = [
            bad(column=INNER, check="undercured", limit=_limit(c.index_min, -1)),
            doubt(column=INNER, check="scant", limit=_limit(c.index_warn, -1)),
            bad(column=PEAK, check="overheated", limit=_limit(c.surface_max_C, 1), unit="degC"),
            bad(column=DEGRADED, check="overheated", limit=_limit(c.degradation_max, 1)),
        ]
        if c.sheave_index_min is not None:
            checks.append(doubt(column=SHEAVE, check="soft", limit=_limit(c.sheave_index_min, -1)))
        return checks


def _limit(at: float, sign: int) -> Limit:
    return Limit(at=at, sign=sign, deadband=0.0, on_delay=0.0, off_delay=OFF_DELAY_M)


@dataclass(slots=True, kw_only=True)
class Length:
    """Cable under one plan: metres whose middles lie before `end_m`, entering in order from `next_m` on."""

    plan: Plan
    next_m: int
    checks: list[CureCheck]
    end_m: float = np.inf
    unverified: Limit = field(default_factory=lambda: _limit(0.5, 1))
    metres: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    elements: Elements = field(init=False)

    def __post_init__(self) -> None:
        self.elements = new_elements(self.plan.cable, self.plan.wall, self.plan.route, np.empty(0))

    def cut(self, end_m: float) -> None:
        """The next length begins here."""
        self.end_m = end_m
        keep = self.metres + 0.5 < end_m
        self.metres, self.elements = self.metres[keep], self.elements.take(keep)

    def add(self, track: Track, counter_m: float, upto_s: float) -> None:
        """Metres whose middles have left the head."""
        last = min(float(track.at(upto_s)) + counter_m - 0.5, self.end_m - 0.5)
        fresh = np.arange(self.next_m, int(np.floor(last)) + 1, dtype=np.int64)
        t_s = track.when(fresh.astype(np.float64) + 0.5 - counter_m)
        count = int(np.count_nonzero((t_s <= upto_s) & (fresh + 0.5 < self.end_m)))
        if count:
            self.next_m += count
            self.metres = np.concatenate((self.metres, fresh[:count]))
            self.elements = self.elements.join(
                new_elements(self.plan.cable, self.plan.wall, self.plan.route, t_s[:count])
            )

    def leave(self, count: int) -> tuple[Ints, Elements]:
        """The first `count` metres, which have come to the take-up."""
        gone = self.metres[:count], self.elements.take(slice(0, count))
        self.metres, self.elements = self.metres[count:], self.elements.take(slice(count, None))
        return gone


@dataclass(slots=True, kw_only=True)
class CureStage:
    """State of the cure computation of one line."""

    line: Line
    lengths: list[Length] = field(default_factory=list)
    forecast: Forecast | None = None
    margins: Margins | None = None
    delay_s: float = 0.0
    _done: list[tuple[Ints, tuple[str, ...], Floats]] = field(default_factory=list)
    _marched_s: float = -np.inf
    _forecast_s: float = -np.inf
    _at_risk: bool = False
    _stood_s: float | None = None
    _told: dict[str, Finding] = field(default_factory=dict)

    @property
    def plan(self) -> Plan | None:
        """The plan of the cable that enters now."""
        return self.lengths[-1].plan if self.lengths and self.lengths[-1].end_m == np.inf else None

    @property
    def foresees(self) -> bool:
        """Whether the cable that enters now cures, so that a forecast is useful."""
        return self.plan is not None and self.plan.recipe.cure is not None

    def __post_init__(self) -> None:
        self.delay_s = self.line.settle_s + longest_held_s(self.line)

    def judge_by(self, recipe: Recipe | None, t_s: float, cut_m: float, track: Track) -> Iterator[AlarmEvent]:
        """Cable from `cut_m` on is of another recipe: what of it is in the line is computed again from the head."""
        yield from self._close_alarms(t_s)
        if self.lengths:
            self.lengths[-1].cut(min(cut_m, self.lengths[-1].end_m))
        plan = Plan.of(self.line, recipe)
        self.forecast, self.margins = None, None
        if plan is not None and recipe is not None:
            first = max(cut_m, float(track.L_m[0]) + self.line.counter_m)
            self.lengths.append(Length(plan=plan, next_m=int(np.ceil(first - 0.5)), checks=CureCheck.all_of(recipe)))
            self._forecast_s = float(np.ceil(t_s / FORECAST_EVERY_S)) * FORECAST_EVERY_S

    def definitions(self) -> dict[str, Definition]:
        """The alarms that can be raised now."""
        if self.plan is None:
            return {}
        checks = self.lengths[-1].checks
        cure = self.plan.recipe.cure
        found = {c.alarm: Definition(c.priority, c.limit.at, c.unit) for c in checks}
        return found | ({FORECAST_ALARM: Definition(cure.priority, None, "m/min")} if cure else {})

    def at_risk(self) -> None:
        """The alarm of the forecast is active."""
        self._at_risk = True

    def foreseen(self, findings: Sequence[Finding]) -> None:
        """The line is stopped, and this is what the newest forecast found: it may be withdrawn."""
        self._stood_s = max(f.start_s for f in findings)
        self._told = {f.key: f for f in findings if f.start_s == self._stood_s}

    # ---- the flow ----------------------------------------------------------------------------------------

    def flow(
        self, before_s: float, track: Track, heats: Mapping[str, ZoneHeat], states: StateTimeline
    ) -> Iterator[Found]:
        """Advance by what has become known before a time."""
        while self.foresees and self._forecast_s + self.delay_s < before_s:
            self._march(self._forecast_s, track, heats)
            yield from self._foresee(self._forecast_s, track, heats, states)
            self._forecast_s += FORECAST_EVERY_S
        settled_s = before_s - self.line.settle_s
        if self.foresees:
            settled_s = min(settled_s, self._forecast_s)  # the next forecast starts from where the cable is then
        for length in self.lengths:
            length.add(track, self.line.counter_m, settled_s)
        due = [self._due(length, track, before_s - self.delay_s) for length in self.lengths]
        if any(due) or settled_s - self._marched_s >= MARCH_EVERY_S:
            self._march(settled_s, track, heats)
        for length, count in zip(self.lengths, due, strict=True):
            if count:
                yield from self._leave(length, count)
        over = [x for x in self.lengths if x.end_m < np.inf and not len(x.metres) and x.next_m + 0.5 >= x.end_m]
        for length in over:
            yield from self._end(length)
            self.lengths.remove(length)

    def _due(self, length: Length, track: Track, before_s: float) -> int:
        arrives_s = track.when(length.metres + 0.5 - self.line.counter_m + length.plan.route.edges_m[-1])
        return int(np.count_nonzero(arrives_s < before_s))

    def _march(self, upto_s: float, track: Track, heats: Mapping[str, ZoneHeat]) -> None:
        self._marched_s = upto_s
        for length in self.lengths:
            plan = length.plan
            length.add(track, self.line.counter_m, upto_s)
            cross_s = self._crossed(length, track)
            cross_s[~(cross_s <= upto_s)] = np.inf
            media = media_upto(plan, heats, upto_s)
            march(length.elements, cross_s, plan.route, media, plan.t90, plan.ageing)

    def _crossed(self, length: Length, track: Track) -> Floats:
        starts = length.metres + 0.5 - self.line.counter_m
        return track.when(starts[:, None] + length.plan.route.edges_m[None, :])

    def _leave(self, length: Length, count: int) -> Iterator[Found]:
        metres, x = length.leave(count)
        values = columns_of(length.plan, x)
        self._done.append((metres, length.plan.columns, values))
        good = x.seen
        yield from self._unverified(length, x.t_s, metres.astype(np.float64), ~good)
        if good.any():
            unknown = np.full(int(good.sum()), -1, dtype=np.int64)
            t_s, m = x.t_s[good], metres[good].astype(np.float64)
            for check in length.checks:
                v = values[length.plan.columns.index(check.column)][good]
                stretch = Stretch(
                    t_s=t_s, v=v, L_m=m, known_s=t_s + self.delay_s, seq=unknown, open=np.ones(len(v), dtype=bool)
                )
                if not check.limit.quiet(float(v.min()), float(v.max())):
                    for crossing in check.limit.feed(stretch, m, m):
                        yield from self._crossing(length, check, crossing)

    def _unverified(self, length: Length, t_s: Floats, m: Floats, blind: NDArray[np.bool_]) -> Iterator[Finding]:
        """Metres that passed a zone without data: their cure is unverified, whatever else is known."""
        if not blind.any() and length.unverified.quiet(0.0, 0.0):
            return
        inside = length.plan.columns[0]
        every = np.ones(len(m), dtype=bool)
        unknown = np.full(len(m), -1, dtype=np.int64)
        stretch = Stretch(
            t_s=t_s, v=blind.astype(np.float64), L_m=m, known_s=t_s + self.delay_s, seq=unknown, open=every
        )
        for crossing in length.unverified.feed(stretch, m, m):
            start, end = crossing.start, crossing.end
            yield Finding(
                line=self.line.line,
                key=f"{inside}/unverified@{round(start.t_s * 1e3)}",
                kind=FindingKind.CURE,
                stream=inside,
                check="unverified",
                verdict=Verdict.UNVERIFIED,
                start_m=start.L_m,
                end_m=end.L_m if end else None,
                start_s=start.t_s,
                end_s=end.t_s if end else None,
                extreme=None,
                limit=None,
                unit="",
            )

    def _crossing(self, length: Length, check: CureCheck, crossing: Crossing) -> Iterator[Found]:
        at, start, end = crossing.at, crossing.start, crossing.end
        if length.end_m == np.inf:
            event = "raised" if crossing.raised else "returned"
            yield AlarmEvent(
                known_s=at.known_s,
                seq=at.seq,
                t_s=at.t_s,
                alarm=check.alarm,
                event=event,
                value=at.value,
                line_metre=start.L_m,
            )
        yield self._finding(check, start.t_s, start.L_m, end.t_s if end else None, end.L_m if end else None, crossing)

    def _finding(
        self, check: CureCheck, start_s: float, start_m: float, end_s: float | None, end_m: float | None, of: Crossing
    ) -> Finding:
        return Finding(
            line=self.line.line,
            key=f"{check.alarm}@{round(start_s * 1e3)}",
            kind=FindingKind.CURE,
            stream=check.column,
            check=check.check,
            verdict=check.verdict,
            start_m=start_m,
            end_m=end_m,
            start_s=start_s,
            end_s=end_s,
            extreme=of.extreme,
            limit=check.limit.at,
            unit=check.unit,
        )

    def _end(self, length: Length) -> Iterator[Finding]:
        """The last metre of a length has left: what is open ends with the drum."""
        for check in length.checks:
            start = check.limit.start
            if start is not None and check.limit.mode in STANDING:
                at = replace(start, L_m=length.end_m)
                crossing = Crossing(
                    raised=False, at=at, start=start, end=at, extreme=check.limit.sign * check.limit.extreme
                )
                yield self._finding(check, start.t_s, start.L_m, start.t_s, length.end_m, crossing)

    def _close_alarms(self, t_s: float) -> Iterator[AlarmEvent]:
        if self.plan is None:
            return
        for check in self.lengths[-1].checks:
            if check.limit.mode in STANDING:
                yield AlarmEvent(known_s=t_s, seq=-1, t_s=t_s, alarm=check.alarm, event="returned")
        if self._at_risk:
            yield AlarmEvent(known_s=t_s, seq=-1, t_s=t_s, alarm=FORECAST_ALARM, event="returned")
        self._at_risk = False

    # ---- forecast ----------------------------------------------------------------------------------------

    def _foresee(
        self, t_s: float, track: Track, heats: Mapping[str, ZoneHeat], states: StateTimeline
    ) -> Iterator[Found]:
        length, plan = self.lengths[-1], self.lengths[-1].plan
        state = STATES[int(states.at(np.array([t_s]))[0])]
        speed = float(track.at(t_s) - track.at(t_s - 1.0)) if state == "running" else 0.0
        speed = speed if speed > track_still(self.line) else plan.recipe.setpoints.speed_m_per_min / 60.0
        slowest = min(slowest_m_s(self.line, plan.recipe), speed)
        inside = self._inside(length, t_s, track)
        knots = [_knots(heats, path) for path in plan.streams]
        self.forecast = foresee(plan, inside, knots, speed, slowest, state == "stopped")
        zone_C = {name: _at(heats, path, t_s, plan.air_C) for name, path in plan.zone_of.items()}
        self.margins = room(self.line, plan, zone_C, speed)
        yield from self._report(state)
        yield from self._foreseen(state, length)

    def _inside(self, length: Length, t_s: float, track: Track) -> Inside:
        alive = length.elements.piece < len(length.plan.route.medium)
        metres = length.metres[alive].astype(np.float64)
        position_m = float(track.at(t_s)) + self.line.counter_m - (metres + 0.5)
        elements = length.elements.take(alive).nominal()
        marched_m = track.at(elements.t_s) + self.line.counter_m - (metres + 0.5)
        return Inside(
            t_s=t_s,
            metres=metres,
            position_m=position_m,
            crossed_s=self._crossed(length, track)[alive],
            marched_m=marched_m,
            elements=elements,
        )

    def _report(self, state: str) -> Iterator[AlarmEvent]:
        """The alarm before the metre is lost; no alarm while the line is stopped."""
        f = self.forecast
        assert f is not None
        at_risk = state != "stopped" and bool(f.at_risk.any())
        if at_risk != self._at_risk:
            self._at_risk = at_risk
            value = None if f.save_m_s is None or not at_risk else float(np.floor(f.save_m_s * 600.0)) / 10.0
            metre = float(f.metres[f.at_risk][0]) if at_risk else None
            event = "raised" if at_risk else "returned"
            known_s = f.t_s + self.delay_s
            yield AlarmEvent(
                known_s=known_s, seq=-1, t_s=f.t_s, alarm=FORECAST_ALARM, event=event, value=value, line_metre=metre
            )

    def _foreseen(self, state: str, length: Length) -> Iterator[Finding]:
        """Scrap that is certain while the line is stopped: reported at once, withdrawn where it no longer applies."""
        f = self.forecast
        assert f is not None
        if state != "stopped":
            self._stood_s, self._told = None, {}
            return
        if self._stood_s is None:
            self._stood_s = f.t_s
        now = {x.key: x for x in self._scraps(f, length)}
        for key, finding in now.items():
            if self._told.get(key) != finding:
                yield finding
        for key, finding in self._told.items():
            if key not in now:
                yield replace(finding, verdict=Verdict.CONFORMING, end_m=finding.start_m, text="taken back")
        self._told = now

    def _scraps(self, f: Forecast, length: Length) -> Iterator[Finding]:
        assert self._stood_s is not None
        limits = length.plan.limits
        for check, which, values, limit in (
            ("undercured", f.lost, f.index, limits.index_min),
            ("overheated", f.overheated, np.full(len(f.index), np.nan), None),
        ):
            for number, (a, b) in enumerate(_runs(which)):
                extreme = float(np.min(values[a:b]))
                yield Finding(
                    line=self.line.line,
                    key=f"cure/forecast/{check}/{number}@{round(self._stood_s * 1e3)}",
                    kind=FindingKind.CURE,
                    stream="cure/forecast",
                    check=check,
                    verdict=Verdict.SUSPECT,
                    start_m=float(f.metres[a]),
                    end_m=float(f.metres[b - 1]) + 1.0,
                    start_s=self._stood_s,
                    end_s=self._stood_s,
                    extreme=None if extreme != extreme else round(extreme, 3),
                    limit=limit,
                    unit="",
                    text="forecast while the line is stopped",
                )

    # ---- rows --------------------------------------------------------------------------------------------

    def take_columns(self, first: int, count: int, names: Sequence[str]) -> dict[str, Floats]:
        """Columns of metres from `first` on, NaN where a metre has none or was not seen; older ones are forgotten."""
        columns = {name: np.full(count, np.nan) for name in names}
        for metres, of, values in self._done:
            inside = (metres >= first) & (metres < first + count)
            for name, row in zip(of, values, strict=True):
                if name in columns:
                    columns[name][metres[inside] - first] = row[inside]
        self._done = [one for one in self._done if len(one[0]) and one[0][-1] >= first + count]
        return columns


def status_json(stage: CureStage) -> dict[str, Any]:
    """The newest forecast and headroom as plain values for the page: m, m/min, degC, UTC ms; empty before the first."""
    f, room_ = stage.forecast, stage.margins
    if f is None or room_ is None:
        return {}
    x = f.inside.elements
    ends = {name: [[float(f.metres[a]), float(f.metres[b - 1]) + 1.0] for a, b in _runs(which)] for name, which in (
        ("lost", f.lost), ("at_risk", f.at_risk), ("overheated", f.overheated))}  # fmt: skip
    return ends | {
        "t_ms": round(f.t_s * 1e3),
        "standing": f.standing,
        "speed": round(f.speed_m_s * 60, 1),
        "slowest": round(f.slowest_m_s * 60, 1),
        "save": None if f.save_m_s is None else float(np.floor(f.save_m_s * 600) / 10),
        "act_by_ms": None if f.act_by_s is None else round(f.act_by_s * 1e3),
        "headroom": {
            "faster": _margin(room_.faster, 60.0),
            "slower": _margin(room_.slower, 60.0),
            "colder": {name: _margin(m) for name, m in room_.colder.items()},
            "hotter": {name: _margin(m) for name, m in room_.hotter.items()},
        },
        "cable": {
            "metre": f.metres.tolist(),
            "position_m": np.round(f.inside.marched_m, 2).tolist(),
            "inner_C": np.round(x.T_C[0, :, 0], 1).tolist(),
            "surface_C": np.round(x.T_C[0, :, -1], 1).tolist(),
            "index": np.round(x.inner[0], 3).tolist(),
            "expected": np.round(np.minimum(f.index, 1e6), 3).tolist(),
        },
    }


def _margin(m: Margin, factor: float = 1.0) -> dict[str, Any]:
    return {"room": None if m.room is None else round(m.room * factor, 1), "limit": m.limit}


def columns_of(plan: Plan, x: Elements) -> Floats:
    """The plan's columns (c, e) of elements that have left; NaN where a medium was not known."""
    e = len(x)
    if plan.columns == COOLING:
        cold: Floats = np.array((x.T_C[0, :, 0], x.T_C[0, :, -1]))
        cold[:, ~x.seen] = np.nan
        return cold
    sheave = np.full(e, np.nan) if plan.sheave_piece is None else x.passed[:, plan.sheave_piece]
    low, high = np.minimum(x.inner[1], x.inner[2]), np.maximum(x.inner[1], x.inner[2])
    values = np.stack((x.inner[0], low, high, x.outer, sheave, x.peak_C, x.degradation))
    values[:, ~x.seen] = np.nan
    return values


def media_upto(plan: Plan, heats: Mapping[str, ZoneHeat], upto_s: float) -> Media:
    """The ovens' samples as media, with how far each is certain: no sample before that can still come."""
    knots = [_knots(heats, path) for path in plan.streams] + [(np.zeros(1), np.array([plan.air_C]))]
    first = np.cumsum([0, *(len(t) for t, _ in knots)])
    reach = [_reach_s(t, held, upto_s) for (t, _), held in zip(knots, plan.held_s.tolist(), strict=True)]
    t_s, T_C = (np.concatenate([k[i] for k in knots]) for i in (0, 1))
    rest = np.full(len(knots), plan.air_C)
    return Media(
        first=first.astype(np.int64),
        t_s=t_s,
        T_C=T_C,
        held_s=plan.held_s,
        rest_C=rest,
        reach_s=np.array(reach),
        needed=plan.needed,
    )


def _reach_s(t_s: Floats, held_s: float, upto_s: float) -> float:
    if held_s == np.inf:
        return upto_s
    if not len(t_s):
        return upto_s - held_s
    newest = float(t_s[-1])
    return newest if newest < upto_s <= newest + held_s else upto_s


def track_still(line: Line) -> float:
    """Speed [m/s] below which a line counts as stopped."""
    return line.stopped_below_m_per_min / 60.0


def _knots(heats: Mapping[str, ZoneHeat], path: str) -> tuple[Floats, Floats]:
    heat = heats[path]
    return heat.knot_s, heat.knot_v


def _at(heats: Mapping[str, ZoneHeat], path: str, t_s: float, otherwise: float) -> float:
    heat = heats[path]
    return float(np.interp(t_s, heat.knot_s, heat.knot_v)) if len(heat.knot_s) else otherwise


def _runs(which: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs of true as half-open pairs."""
    edges = np.flatnonzero(np.diff(which.astype(np.int8), prepend=0, append=0))
    return [(a, b) for a, b in pairwise(edges.tolist()) if which[a]]
