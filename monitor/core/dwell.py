"""Dwell: how long metre after metre of cable was in a zone, against the limits of the recipe."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from monitor.contract.config.line import Line, Zone
from monitor.contract.config.recipe import Dwell, Recipe
from monitor.contract.record import Finding, FindingKind, Floats
from monitor.core.alarms import AlarmEvent, Definition
from monitor.core.limit import Crossing, Limit, Point, Stretch
from monitor.core.passages import Passages, edges_m
from monitor.core.stream import VERDICT, Found
from monitor.core.track import Track

LEFT_BY_M = 1e-6  # a metre has left a zone once it is beyond its end by more than the arithmetic's own error


@dataclass(slots=True, kw_only=True)
class DwellCheck:
    """Dwell of metre after metre against its limits; the delays run in metres."""

    line: Line
    dwell: Dwell
    zones: list[Zone]
    next_m: int | None = None
    low: Limit | None = None
    high: Limit | None = None
    newest_s: float = np.nan

    @classmethod
    def of(cls, line: Line, dwell: Dwell, next_m: int | None) -> "DwellCheck":
        """A check that goes on at metre `next_m`."""
        low, high = _limit(dwell, dwell.min_s, -1), _limit(dwell, dwell.max_s, 1)
        return cls(line=line, dwell=dwell, zones=zones_of(line, dwell), next_m=next_m, low=low, high=high)

    @property
    def end_m(self) -> float:
        """Path position at which cable has all passes behind it."""
        return max(z.end_m for z in self.zones)

    @property
    def stream(self) -> str:
        """What its alarms and findings are named after."""
        return f"{self.dwell.zone}/dwell"

    @property
    def sides(self) -> list[tuple[str, Limit]]:
        return [(name, limit) for name, limit in (("short", self.low), ("long", self.high)) if limit]

    def definitions(self) -> dict[str, Definition]:
        """The alarms that this check may raise."""
        return {f"{self.stream}/{name}": Definition(self.dwell.priority, limit.at, "s") for name, limit in self.sides}

    def flow(self, before_s: float, track: Track) -> Iterator[Found]:
        """Judge metres that have left the zone's last pass before a time, one after the other.

        One whose middle is just at the end while the line is stopped has not left.
        """
        offset = self.line.counter_m - self.end_m
        first = float(track.L_m[0]) + offset
        last = float(track.at(before_s)) + offset - 0.5 - LEFT_BY_M
        start = int(np.ceil(first)) if self.next_m is None else self.next_m
        metres = np.arange(start, int(np.ceil(last)), dtype=np.float64)
        if not len(metres):
            return
        passed = Passages.of(track, self.line.counter_m, edges_m(self.zones), metres)
        count = int(np.count_nonzero(passed.at[self.end_m] < before_s))
        self.next_m = start + count
        if not count:
            return
        metres, t_s = metres[:count], passed.at[self.end_m][:count]
        spent = passed.dwell_s(self.zones)[:count]
        good = ~np.isnan(spent)
        if good.any():
            self.newest_s = float(spent[good][-1])
            yield from self._judge(metres[good], t_s[good], spent[good])

    def close(self, t_s: float, track: Track) -> Iterator[Found]:
        """End what is open, since another recipe judges from `t_s` on."""
        metre = float(track.at(t_s)) + self.line.counter_m - self.end_m
        here = Point(t_s=t_s, L_m=metre, clock=metre, value=self.newest_s, known_s=t_s, seq=-1)
        for name, limit in self.sides:
            crossing = limit.closed(here)
            if crossing is not None:
                yield from self._found(name, limit, crossing)

    def _judge(self, metres: Floats, t_s: Floats, spent: Floats) -> Iterator[Found]:
        size = len(metres)
        open_ = np.ones(size, dtype=bool)
        stretch = Stretch(t_s=t_s, v=spent, L_m=metres, known_s=t_s, seq=np.full(size, -1, dtype=np.int64), open=open_)
        for name, limit in self.sides:
            if not limit.quiet(float(spent.min()), float(spent.max())):
                for crossing in limit.feed(stretch, metres, metres):
                    yield from self._found(name, limit, crossing)

    def _found(self, name: str, limit: Limit, crossing: Crossing) -> Iterator[Found]:
        alarm, at, start, end = f"{self.stream}/{name}", crossing.at, crossing.start, crossing.end
        event = "raised" if crossing.raised else "returned"
        yield AlarmEvent(
            known_s=at.known_s, seq=at.seq, t_s=at.t_s, alarm=alarm, event=event, value=at.value, line_metre=start.L_m
        )
        yield Finding(
            line=self.line.line,
            key=f"{alarm}@{round(start.t_s * 1e3)}",
            kind=FindingKind.DWELL,
            stream=self.stream,
            check=name,
            verdict=VERDICT[self.dwell.verdict],
            start_m=start.L_m,
            end_m=end.L_m if end else None,
            start_s=start.t_s,
            end_s=end.t_s if end else None,
            extreme=crossing.extreme,
            limit=limit.at,
            unit="s",
        )


def _limit(dwell: Dwell, at: float | None, sign: int) -> Limit | None:
    on_delay = off_delay = dwell.on_delay_m
    return None if at is None else Limit(at=at, sign=sign, deadband=0.0, on_delay=on_delay, off_delay=off_delay)


def zones_of(line: Line, dwell: Dwell) -> list[Zone]:
    """All passes through the zone of a dwell."""
    return [z for z in line.zone if z.name == dwell.zone]


def checks(recipe: Recipe | None, line: Line, before: list[DwellCheck]) -> list[DwellCheck]:
    """The checks of a recipe, each going on at the metre where the one before of its zone was.

    Zones that the line does not have are left out: a recipe may be older than the line's description.
    """
    zones, next_m = {zone.name for zone in line.zone}, {check.dwell.zone: check.next_m for check in before}
    dwells = [d for d in recipe.dwell if d.zone in zones] if recipe else []
    return [DwellCheck.of(line, d, next_m.get(d.zone)) for d in dwells]
