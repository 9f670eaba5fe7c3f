"""The cable's path drawn to scale, folded at its sheaves, so that one oven is one box with all of its passes."""

import itertools
from dataclasses import dataclass

from dash import html

from dashboard.components import aria, attributes
from dashboard.text.format import exact
from monitor.contract.config.line import Line, Station, Zone
from monitor.contract.config.titles import station_title

LANE_PX = 72


@dataclass(frozen=True, slots=True)
class Traverse:
    """One straight piece of path between two turns: path positions, and where its ends are across the hall."""

    start_m: float
    end_m: float
    from_x: float
    to_x: float

    def x(self, position_m: float) -> float:
        """Place across the hall, m, of a path position on this piece."""
        way = 1.0 if self.to_x >= self.from_x else -1.0
        return self.from_x + way * (position_m - self.start_m)

    def holds(self, position_m: float) -> bool:
        return self.start_m <= position_m <= self.end_m


def fold(line: Line) -> list[Traverse]:
    """The path in straight pieces: it turns round wherever a station is a sheave and ovens are passed again."""
    turns = turning_points(line)
    ends = [s.position_m if s.end_m is None else s.end_m for s in line.station]
    edges = [min(s.position_m for s in line.station), *turns, max(ends)]
    pieces: list[Traverse] = []
    x, way = edges[0], 1.0
    for start, end in itertools.pairwise(edges):
        pieces.append(Traverse(start, end, x, x + way * (end - start)))
        x, way = pieces[-1].to_x, -way
    return pieces


def turning_points(line: Line) -> list[float]:
    """Path positions of the sheaves the cable turns round at, if any zone is passed more than once."""
    if all(zone.pass_number == 1 for zone in line.zone):
        return []
    return sorted(s.position_m for s in line.station if s.name.endswith("sheave"))


def pathway(line: Line) -> html.Div:
    """The drawing; live values go into the elements that carry `data-zone` and `data-heat`."""
    pieces = fold(line)
    low = min(min(p.from_x, p.to_x) for p in pieces)
    wide = max(max(p.from_x, p.to_x) for p in pieces) - low
    lanes = [_lane(i, piece, low, wide) for i, piece in enumerate(pieces)]
    turns = [_turn(i, piece, low, wide) for i, piece in enumerate(pieces[:-1])]
    zones = [_zone(line, zone, pieces, low, wide) for zone in line.zone]
    heats = [_heat(line, name, pieces, low, wide) for name in dict.fromkeys(z.name for z in line.zone)]
    names = {zone.name for zone in line.zone}
    marks = [_station(s, line, pieces, low, wide) for s in line.station if s.name not in names]
    return html.Div(
        [*heats, *lanes, *turns, *zones, *marks],
        className="pathway",
        style={"height": f"{LANE_PX * len(pieces) + 50}px"},
        role="img",
        **aria(f"Path of the cable through {line.title}, {exact(pieces[-1].end_m - pieces[0].start_m)} m"),
    )


def _percent(x: float, low: float, wide: float) -> float:
    return 2.0 + 96.0 * (x - low) / wide


def _top(lane: int) -> int:
    return LANE_PX * lane + 44


def _lane(i: int, piece: Traverse, low: float, wide: float) -> html.Div:
    a, b = sorted((piece.from_x, piece.to_x))
    left = _percent(a, low, wide)
    return html.Div(
        className="cable",
        style={"left": f"{left:.2f}%", "width": f"{_percent(b, low, wide) - left:.2f}%", "top": f"{_top(i)}px"},
    )


def _turn(i: int, piece: Traverse, low: float, wide: float) -> html.Div:
    side = "right" if piece.to_x > piece.from_x else "left"
    return html.Div(
        className=f"turn {side}",
        style={
            "left": f"{_percent(piece.to_x, low, wide):.2f}%",
            "top": f"{_top(i)}px",
            "height": f"{LANE_PX}px",
        },
    )


def _place(position_m: float, pieces: list[Traverse]) -> tuple[int, Traverse]:
    return next((i, p) for i, p in enumerate(pieces) if p.holds(position_m))


def _zone(line: Line, zone: Zone, pieces: list[Traverse], low: float, wide: float) -> html.Div:
    """One pass of a zone: how long the cable is in it now."""
    lane, piece = _place((zone.start_m + zone.end_m) / 2, pieces)
    a, b = sorted((piece.x(zone.start_m), piece.x(zone.end_m)))
    left = _percent(a, low, wide)
    many = sum(z.name == zone.name for z in line.zone) > 1
    return html.Div(
        [
            html.Span(f"pass {zone.pass_number}  " if many else "", className="pass"),
            html.Span("\N{EN DASH}", className="live", **attributes(zone=f"{zone.end_m - zone.start_m:g}")),
        ],
        className="zone-pass",
        style={"left": f"{left:.2f}%", "width": f"{_percent(b, low, wide) - left:.2f}%", "top": f"{_top(lane) + 5}px"},
    )


def _heat(line: Line, name: str, pieces: list[Traverse], low: float, wide: float) -> html.Div:
    """A zone as one box over all lanes in which it is passed, with its temperature."""
    parts = [z for z in line.zone if z.name == name]
    placed = [(_place((z.start_m + z.end_m) / 2, pieces), z) for z in parts]
    xs = [piece.x(at) for (_, piece), z in placed for at in (z.start_m, z.end_m)]
    lanes = [lane for (lane, _), _ in placed]
    left = _percent(min(xs), low, wide)
    temperature = parts[0].temperature
    return html.Div(
        [
            html.Span(station_title(line, name), className="zone-name"),
            html.Span("\N{EN DASH}", className="live heat-value", **attributes(heat=temperature or "")),
        ],
        className=f"heat {parts[0].medium}",
        style={
            "left": f"{left:.2f}%",
            "width": f"{_percent(max(xs), low, wide) - left:.2f}%",
            "top": f"{_top(min(lanes)) - 40}px",
            "height": f"{LANE_PX * (max(lanes) - min(lanes)) + 66}px",
        },
    )


def _station(station: Station, line: Line, pieces: list[Traverse], low: float, wide: float) -> html.Div:
    lane, piece = _place(station.middle_m, pieces)
    title = station.title or station.name
    return html.Div(
        html.Span(title),
        className=f"station {_side(station, line, lane, pieces)}",
        title=f"{title}, {exact(station.position_m)} m",
        style={"left": f"{_percent(piece.x(station.middle_m), low, wide):.2f}%", "top": f"{_top(lane)}px"},
    )


def _side(station: Station, line: Line, lane: int, pieces: list[Traverse]) -> str:
    """Where a station's name has room: inside a turn, under the last lane, else above or below its neighbour."""
    if station.position_m in turning_points(line):
        return "inside-right" if lane % 2 == 0 else "inside-left"
    if lane == len(pieces) - 1:
        return "below"
    gaps = [s.position_m - station.position_m for s in line.station]
    if any(-1.5 < gap < 0 for gap in gaps):
        return "under"
    return "before" if any(0 < gap < 1.5 for gap in gaps) else "above"
