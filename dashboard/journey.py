"""The journey of one metre: when it stood at each station and in each zone, and what was measured there then."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from monitor.contract.config import Line, StreamSettings, Zone
from monitor.contract.reading import DrumRow, Record, Trend
from monitor.contract.record import Floats, Ints
from monitor.contract.topics import Stream

BEFORE_MS = 30 * 60_000  # cable of a drum's first metres was at the head before the drum began
AFTER_MS = 60_000


@dataclass(frozen=True, slots=True)
class Passing:
    """Line metre at the counter over time: `t_ms` rises, `L_m` never falls."""

    t_ms: Ints
    L_m: Floats

    def when_ms(self, L_m: float) -> float | None:
        """When the counter reached a line metre; None outside of what was stored."""
        if not len(self.L_m) or not self.L_m[0] <= L_m <= self.L_m[-1]:
            return None
        at = int(np.searchsorted(self.L_m, L_m))
        if at == 0:
            return float(self.t_ms[0])
        L0, L1 = self.L_m[at - 1], self.L_m[at]
        share = (L_m - L0) / (L1 - L0) if L1 > L0 else 0.0
        return float(self.t_ms[at - 1] + share * (self.t_ms[at] - self.t_ms[at - 1]))


def passing(counter: Trend, wraps_at_m: float | None, anchor_ms: float, anchor_L_m: float) -> Passing:
    """Line metre from counter readings, wraps undone and steps back ignored, set so that `anchor` holds."""
    good = ~np.isnan(counter.v)
    t, reading = counter.t_ms[good], counter.v[good]
    if not len(t):
        return Passing(t, reading)
    steps = np.diff(reading)
    if wraps_at_m:
        steps = np.where(steps < -wraps_at_m / 2, steps + wraps_at_m, steps)
    L = np.concatenate(([0.0], np.cumsum(np.maximum(steps, 0.0))))
    return Passing(t, L + anchor_L_m - float(np.interp(anchor_ms, t, L)))


@dataclass(frozen=True, slots=True)
class Value:
    """One quantity as the metre met it."""

    title: str
    unit: str
    mean: float
    least: float
    most: float


@dataclass(frozen=True, slots=True)
class Stop:
    """One place on the way of a metre. `left_ms` and `dwell_s` are given for zones."""

    place: str
    position_m: float
    came_ms: float | None
    left_ms: float | None
    dwell_s: float | None
    values: tuple[Value, ...]


def journey(record: Record, line: Line, drum: DrumRow, line_metre: float, now_ms: int) -> list[Stop]:
    """Every station and zone pass of a line in path order, for the metre that holds `line_metre`."""
    way = _way(record, line, drum, now_ms)
    whole = float(np.floor(line_metre))
    row = record.rows(line.line, whole, whole + 1)
    middle_L = whole + 0.5 - line.counter_m
    stops = [_zone_stop(record, line, zone, way, middle_L) for zone in line.zone]
    zones = {zone.name for zone in line.zone}
    for station in line.station:
        if station.name not in zones:
            came = way.when_ms(middle_L + station.middle_m)
            streams = [s for s in line.stream if s.station == station.name and s.kind == "samples"]
            values = tuple(v for s in streams if (v := _from_row(row, s)) is not None)
            stops.append(Stop(station.title or station.name, station.middle_m, came, None, None, values))
    return sorted(stops, key=lambda stop: stop.position_m)


def _way(record: Record, line: Line, drum: DrumRow, now_ms: int) -> Passing:
    station, quantity = line.counter.stream.split("/")
    end_ms = (drum.end_ms if drum.end_ms is not None else now_ms) + AFTER_MS
    counter = record.samples(Stream(line.line, station, quantity), drum.start_ms - BEFORE_MS, end_ms)
    return passing(counter, line.counter.wraps_at_m, drum.start_ms, drum.start_m - line.counter_m + line.take_up_m)


def _from_row(columns: Mapping[str, Floats], stream: StreamSettings) -> Value | None:
    def at(name: str) -> float:
        return float(columns[name][0]) if name in columns and len(columns[name]) else float("nan")

    mean = at(stream.path)
    if stream.path not in columns:
        return None
    return Value(stream.title or stream.quantity, stream.unit, mean, at(f"{stream.path}/min"), at(f"{stream.path}/max"))


def _zone_stop(record: Record, line: Line, zone: Zone, way: Passing, middle_L: float) -> Stop:
    came, left = way.when_ms(middle_L + zone.start_m), way.when_ms(middle_L + zone.end_m)
    dwell = (left - came) / 1e3 if came is not None and left is not None else None
    station = line.stations.get(zone.name)
    title = station.title if station and station.title else zone.name
    name = f"{title}, pass {zone.pass_number}" if passes(line.zone, zone.name) > 1 else title
    values: tuple[Value, ...] = ()
    if zone.temperature and came is not None and left is not None:
        values = _met(record, line, zone.temperature, came, left)
    return Stop(name, zone.start_m, came, left, dwell, values)


def _met(record: Record, line: Line, path: str, came_ms: float, left_ms: float) -> tuple[Value, ...]:
    settings = line.streams[path]
    trend = record.samples(Stream(line.line, settings.station, settings.quantity), int(came_ms), int(left_ms) + 1)
    v = trend.v[~np.isnan(trend.v)]
    if not len(v):
        return ()
    return (Value(settings.title, settings.unit, float(v.mean()), float(v.min()), float(v.max())),)


def passes(zones: Sequence[Zone], name: str) -> int:
    """How often the cable runs through a zone."""
    return sum(zone.name == name for zone in zones)
