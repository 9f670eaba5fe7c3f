"""Streams over time, one strip each, with limits and shaded stops: live and long trends."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import plotly.graph_objects as go

from dashboard.context import window_of
from dashboard.figures.style import GREY, LIMIT_LINE, Props, figure, hover_format
from dashboard.queries.downsample import Points
from dashboard.text import format
from dashboard.text.format import exact
from monitor.contract.config import titles
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe

DASHES = ("solid", "1px,2px", "6px,2px")
SHADE = {"stopped": "rgba(128,134,140,0.30)", "ramping": "rgba(128,134,140,0.15)"}


@dataclass(frozen=True, slots=True)
class Strip:
    """Streams of one station and unit that share a strip, and the window of the first."""

    title: str
    unit: str
    streams: tuple[str, ...]
    limits: Mapping[str, float]


def strips(line: Line, recipe: Recipe | None, paths: Sequence[str]) -> list[Strip]:
    """Strips for streams in their order; two axes of one gauge share one."""
    groups: dict[tuple[str, str], list[str]] = {}
    for path in paths:
        settings = line.streams[path]
        groups.setdefault((settings.station, settings.unit), []).append(path)
    made = []
    for (station, unit), members in groups.items():
        window = window_of(recipe, members[0])
        one = len(members) == 1
        title = titles.stream_title(line, members[0]) if one else titles.station_title(line, station)
        made.append(Strip(title, unit, tuple(members), {str(k): v for k, v in window.limits.items()} if window else {}))
    return made


def offset_ms(t_ms: float, zone: str) -> int:
    """What to add to UTC ms so that a chart's axis reads as the works' local time at `t_ms`."""
    delta = datetime.fromtimestamp(t_ms / 1e3, UTC).astimezone(ZoneInfo(zone)).utcoffset()
    return round(delta.total_seconds() * 1e3) if delta else 0


def strips_figure(
    chosen: Sequence[Strip],
    data: Mapping[str, Points],
    span_ms: tuple[int, int],
    zone: str,
    *,
    columns: int = 1,
    strip_px: int = 110,
    states: Sequence[tuple[int, str, str]] = (),
) -> go.Figure:
    """One strip under another in `columns` columns, all over the same span of local time."""
    shift = offset_ms(span_ms[1], zone)
    lines = -(-len(chosen) // columns)
    gap = 34 if columns > 1 else 26
    height = lines * strip_px + 44
    fig = figure(height, top=20, bottom=24, left=50, right=64)
    body = height - 44
    for i, strip in enumerate(chosen):
        _add_axes(fig, i, _cell(i, columns, lines, gap / body), strip, span_ms, shift, columns, lines, len(chosen))
        _add_states(fig, i, states, span_ms, shift)
        _add_limits(fig, i, strip)
        _add_lines(fig, i, strip, data, shift)
    return fig


def _n(i: int) -> str:
    return "" if i == 0 else str(i + 1)


def _cell(i: int, columns: int, lines: int, gap: float) -> dict[str, list[float]]:
    column, line = i % columns, i // columns
    width, room = 1 / columns, 0.115 if columns > 1 else 0.0
    x0 = column * (width + room / columns)
    x1 = x0 + width - room * (columns - 1) / columns if columns > 1 else 1.0
    top = 1 - line / lines
    return {"x": [x0, min(x1, 1.0)], "y": [top - 1 / lines + gap * 0.45, top - gap * 0.55]}


def _time_axis(i: int, cell: dict[str, list[float]], range_ms: tuple[int, int], columns: int, last: bool) -> Props:
    """The axis of time of one strip; all follow the first, and only the last of a column is labelled."""
    return {
        "type": "date",
        "domain": cell["x"],
        "anchor": f"y{_n(i)}",
        "range": list(range_ms),
        "showgrid": True,
        "showticklabels": last,
        "ticks": "outside" if last else "",
        "ticklen": 4,
        "nticks": 5 if columns > 1 else 10,
        "zeroline": False,
        "tickformatstops": [
            {"dtickrange": [None, 60_000], "value": "%H:%M:%S"},
            {"dtickrange": [60_000, 86_400_000], "value": "%H:%M"},
            {"dtickrange": [86_400_000, None], "value": "%d %b"},
        ],
        **({"matches": "x"} if i else {}),
    }


def _add_axes(
    fig: go.Figure,
    i: int,
    cell: dict[str, list[float]],
    strip: Strip,
    span_ms: tuple[int, int],
    shift: int,
    columns: int,
    lines: int,
    count: int,
) -> None:
    across = _time_axis(i, cell, (span_ms[0] + shift, span_ms[1] + shift), columns, i + columns >= count)
    fig.update_layout(
        {
            f"xaxis{_n(i)}": across,
            f"yaxis{_n(i)}": {
                "domain": cell["y"],
                "anchor": f"x{_n(i)}",
                "nticks": 4,
                "zeroline": False,
                "showgrid": True,
                "autorangeoptions": {"include": list(strip.limits.values())},
                **hover_format(strip.unit),
            },
        }
    )
    names = "" if len(strip.streams) == 1 else f" ({_members(strip)})"
    fig.add_annotation(
        xref="paper",
        x=cell["x"][0],
        xanchor="left",
        yref="paper",
        y=cell["y"][1],
        yanchor="bottom",
        yshift=2,
        text=f"<b>{strip.title}</b> {format.unit(strip.unit)}{names}",
        showarrow=False,
        font_size=12,
    )


def _members(strip: Strip) -> str:
    styles = ("line", "dots", "dashes")
    short = [path.split("/")[1].rsplit("-", 1)[-1] for path in strip.streams]
    return ", ".join(f"{name} {how}" for name, how in zip(short, styles, strict=False))


def _add_states(
    fig: go.Figure, i: int, states: Sequence[tuple[int, str, str]], span_ms: tuple[int, int], shift: int
) -> None:
    ends = [*(t for t, _, _ in states), span_ms[1]][1:]
    for (start, state, _), end in zip(states, ends, strict=True):
        if state in SHADE and end > span_ms[0]:
            fig.add_shape(
                type="rect",
                xref=f"x{_n(i)}",
                yref=f"y{_n(i)} domain",
                x0=max(start, span_ms[0]) + shift,
                x1=end + shift,
                y0=0,
                y1=1,
                fillcolor=SHADE[state],
                line_width=0,
                layer="below",
                name=state,
            )


def _add_limits(fig: go.Figure, i: int, strip: Strip) -> None:
    for name, at in strip.limits.items():
        place = {"xref": f"x{_n(i)} domain", "yref": f"y{_n(i)}"}
        fig.add_shape(type="line", x0=0, x1=1, y0=at, y1=at, line=LIMIT_LINE[name], name=name, **place)
        fig.add_annotation(
            x=1,
            xanchor="left",
            y=at,
            text=f" {name} {exact(at)}",
            showarrow=False,
            font_size=10,
            align="left",
            **place,
        )


def _add_lines(fig: go.Figure, i: int, strip: Strip, data: Mapping[str, Points], shift: int) -> None:
    for j, path in enumerate(strip.streams):
        t, v = data.get(path, ([], []))
        fig.add_scatter(
            x=[one + shift for one in t],
            y=v,
            xaxis=f"x{_n(i)}",
            yaxis=f"y{_n(i)}",
            mode="lines",
            name=path,
            meta=path,
            connectgaps=False,
            line={"color": GREY, "width": 1.4, "dash": DASHES[j % len(DASHES)]},
            hovertemplate=f"%{{x|%H:%M:%S}}<br>{path.split('/')[1]} %{{y}} {format.unit(strip.unit)}<extra></extra>",
        )
