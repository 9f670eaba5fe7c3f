"""Process history of one metre: when it was at each station and in each zone, and what was measured there then."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from monitor.contract.config.line import Line, StreamSettings, Zone
from monitor.contract.config.recipe import Recipe
from monitor.contract.reading import DrumRow, Record
from monitor.contract.record import Floats
from monitor.contract.topics import Stream
from monitor.evidence.metre_history import Heat, Passage, Series, heat_of, oven_streams

BEFORE_MS = 30 * 60_000  # cable of a drum's first metres was at the head before the drum began
AFTER_MS = 60_000
NEAR_MS = 5_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """One quantity at the metre."""

    title: str
    unit: str
    mean: float
    least: float
    most: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacePassed:
    """One place on the route of a metre. `left_ms` and `dwell_s` are given for zones."""

    place: str
    position_m: float
    came_ms: float | None
    left_ms: float | None
    dwell_s: float | None
    values: tuple[Value, ...]


def process_history(record: Record, line: Line, drum: DrumRow, line_metre: float, now_ms: int) -> list[PlacePassed]:
    """Every station and zone pass of a line in path order, for the metre that holds `line_metre`."""
    way = passage_of(record, line, drum, now_ms)
    whole = float(np.floor(line_metre))
    row = record.rows(line.line, whole, whole + 1)
    stops = [_zone_stop(record, line, zone, way, whole) for zone in line.zone]
    zones = {zone.name for zone in line.zone}
    for station in line.station:
        if station.name not in zones:
            came = _came_ms(way, whole, station.middle_m)
            streams = [s for s in line.stream if s.station == station.name and s.kind == "samples"]
            values = tuple(v for s in streams if (v := _from_row(row, s)) is not None)
            stops.append(
                PlacePassed(
                    place=station.title or station.name,
                    position_m=station.middle_m,
                    came_ms=came,
                    left_ms=None,
                    dwell_s=None,
                    values=values,
                )
            )
    return sorted(stops, key=lambda stop: stop.position_m)


def passage_of(record: Record, line: Line, drum: DrumRow, now_ms: int) -> Passage:
    """The line's way over the time of a drum, from stored samples of counter and speed."""
    end_ms = (drum.end_ms if drum.end_ms is not None else now_ms) + AFTER_MS
    counter, speed = (
        _series(record, line, path, drum.start_ms - BEFORE_MS, end_ms)
        for path in (line.counter.stream, line.counter.speed)
    )
    return Passage.of(line, counter, speed, drum.start_ms / 1e3, drum.start_m - line.counter_m + line.take_up_m)


def heat_of_metre(
    record: Record, line: Line, recipe: Recipe, drum: DrumRow, line_metre: float, now_ms: int
) -> Heat | None:
    """Temperatures and cure of the metre that holds `line_metre`; None where its route is not stored."""
    way, whole = passage_of(record, line, drum, now_ms), float(np.floor(line_metre))
    came, left = _came_ms(way, whole, 0.0), _came_ms(way, whole, line.take_up_m)
    if came is None or left is None:
        return None
    found = {p: _series(record, line, p, int(came) - NEAR_MS, int(left) + NEAR_MS) for p in oven_streams(line, recipe)}
    return heat_of(line, recipe, way, found, whole)


def _series(record: Record, line: Line, path: str, start_ms: int, end_ms: int) -> Series:
    station, quantity = path.split("/")
    trend = record.samples(Stream(line.line, station, quantity), start_ms, end_ms)
    return Series(trend.t_ms / 1e3, trend.v)


def _came_ms(way: Passage, metre: float, position_m: float) -> float | None:
    at = float(way.when_s(metre, np.array([position_m]))[0])
    return None if at != at else at * 1e3


def _from_row(columns: Mapping[str, Floats], stream: StreamSettings) -> Value | None:
    def at(name: str) -> float:
        return float(columns[name][0]) if name in columns and len(columns[name]) else float("nan")

    mean = at(stream.path)
    if stream.path not in columns:
        return None
    return Value(
        title=stream.title or stream.quantity,
        unit=stream.unit,
        mean=mean,
        least=at(f"{stream.path}/min"),
        most=at(f"{stream.path}/max"),
    )


def _zone_stop(record: Record, line: Line, zone: Zone, way: Passage, metre: float) -> PlacePassed:
    came, left = _came_ms(way, metre, zone.start_m), _came_ms(way, metre, zone.end_m)
    dwell = (left - came) / 1e3 if came is not None and left is not None else None
    station = line.stations.get(zone.name)
    title = station.title if station and station.title else zone.name
    name = f"{title}, pass {zone.pass_number}" if passes(line.zone, zone.name) > 1 else title
    values: tuple[Value, ...] = ()
    if zone.temperature and came is not None and left is not None:
        values = _met(record, line, zone.temperature, came, left)
    return PlacePassed(place=name, position_m=zone.start_m, came_ms=came, left_ms=left, dwell_s=dwell, values=values)


def _met(record: Record, line: Line, path: str, came_ms: float, left_ms: float) -> tuple[Value, ...]:
    settings = line.streams[path]
    trend = record.samples(Stream(line.line, settings.station, settings.quantity), int(came_ms), int(left_ms) + 1)
    v = trend.v[~np.isnan(trend.v)]
    if not len(v):
        return ()
    return (
        Value(
            title=settings.title, unit=settings.unit, mean=float(v.mean()), least=float(v.min()), most=float(v.max())
        ),
    )


def passes(zones: Sequence[Zone], name: str) -> int:
    """Number of passes of the cable through a zone."""
    return sum(zone.name == name for zone in zones)
