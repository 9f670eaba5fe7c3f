"""Layout of Trends: chosen streams over time, downsampled for the screen, with limits and stops."""

from dataclasses import dataclass
from datetime import datetime
from urllib.parse import parse_qs
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from dash import html

from dashboard.components import Children, attributes
from dashboard.components.chart import chart
from dashboard.components.heading import heading
from dashboard.context import Context, shown_streams
from dashboard.figures.strips import offset_ms, strips, strips_figure
from dashboard.queries import downsample
from dashboard.queries.downsample import Points
from dashboard.text import format
from dashboard.web.api import SPAN_MAX_MS, break_after_ms
from monitor.contract.config import titles
from monitor.contract.topics import Stream

POINTS = 2000
SPANS = {"1 h": 3_600_000, "8 h": 8 * 3_600_000, "24 h": 24 * 3_600_000}
CUSTOM = "custom"


@dataclass(frozen=True, slots=True)
class TrendRequest:
    """Which span of which streams."""

    line: str
    streams: tuple[str, ...]
    start_ms: int
    end_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendChoice:
    """The choice of an address: a line, and the rest where named; `since` and `until` are local times."""

    line: str
    streams: tuple[str, ...]
    span: str | None
    since: str | None
    until: str | None


def choice_of(context: Context, search: str) -> TrendChoice | None:
    """The choice in an address such as `?line=core-1&span=8 h&streams=oven-a/temperature`; None without a line."""
    query = {name: values[0] for name, values in parse_qs(search.removeprefix("?")).items()}
    line = context.configuration.lines.get(query.get("line", ""))
    if line is None:
        return None
    known = shown_streams(line)
    since, until = (query.get(name) if local_ms(query.get(name), context.zone) else None for name in ("from", "until"))
    span = query.get("span")
    streams = tuple(path for path in query.get("streams", "").split(",") if path in known)
    return TrendChoice(
        line=line.line, streams=streams, span=span if span in (*SPANS, CUSTOM) else None, since=since, until=until
    )


def content(context: Context) -> Children:
    """Controls and an empty place for the chart, which is made when the choice is known."""
    lines = context.configuration.lines
    first = next(iter(lines))
    return [
        html.Div(heading("Trends", "How did the readings change?"), className="top"),
        html.Div(
            [
                dmc.Select(
                    id="trend-line",
                    label="Line",
                    data=[{"value": name, "label": line.title} for name, line in lines.items()],
                    value=first,
                    allowDeselect=False,
                    w=170,
                ),
                html.Div(
                    [
                        html.Label("Span", className="mantine-InputWrapper-label", id="trend-span-label"),
                        dmc.SegmentedControl(id="trend-span", data=[*SPANS, CUSTOM], value="1 h"),
                    ]
                ),
                dmc.DateTimePicker(id="trend-from", label="From (local)", valueFormat="YYYY-MM-DD HH:mm", w=180),
                dmc.DateTimePicker(id="trend-until", label="Until (local)", valueFormat="YYYY-MM-DD HH:mm", w=180),
                dmc.Button("Refresh", id="trend-again", variant="default"),
            ],
            className="controls",
        ),
        dmc.MultiSelect(id="trend-streams", label="Streams, one strip each", searchable=True),
        html.P(id="trend-message", className="note", role="status"),
        html.Div(id="trend-chart"),
    ]


def stream_choices(context: Context, line_name: str) -> tuple[list[dict[str, str]], list[str]]:
    """Streams of a line to choose from, and those chosen at first."""
    line = context.configuration.lines[line_name]
    paths = shown_streams(line)
    ovens = {z.temperature for z in line.zone}
    first = [p for p in paths if p == line.counter.speed or p in ovens][:5]
    return [{"value": p, "label": titles.stream_title(line, p)} for p in paths], first


def span_ms(context: Context, choice: str, since: str | None, until: str | None) -> tuple[int, int] | str:
    """Start and end in UTC ms, or a sentence that says what is missing."""
    if choice in SPANS:
        return context.now_ms - SPANS[choice], context.now_ms
    start, end = local_ms(since, context.zone), local_ms(until, context.zone)
    if start is None or end is None:
        return "Choose a start and an end time."
    if not start < end <= start + SPAN_MAX_MS:
        return "The end time must be after the start time, by at most 31 days."
    return start, end


def local_ms(text: str | None, zone: str) -> int | None:
    """UTC ms of a local time `YYYY-MM-DD HH:MM[:SS]`."""
    try:
        return round(datetime.fromisoformat(text or "").replace(tzinfo=ZoneInfo(zone)).timestamp() * 1e3)
    except ValueError:
        return None


def answer(context: Context, asked: TrendRequest) -> tuple[html.Div, str]:
    """The chart and a sentence that describes it."""
    line = context.configuration.lines[asked.line]
    data: dict[str, Points] = {}
    total = 0
    for path in asked.streams:
        settings = line.streams[path]
        stream = Stream(line.line, settings.station, settings.quantity)
        trend = context.record.samples(stream, asked.start_ms, asked.end_ms)
        total += len(trend.t_ms)
        data[path] = downsample.long(trend, POINTS, break_after_ms(settings.interval_s))
    now = context.line_now(asked.line)
    recipe = context.recipe(asked.line, now.recipe if now else None)
    span = (asked.start_ms, asked.end_ms)
    states = context.record.states(asked.line, *span)
    figure = strips_figure(strips(line, recipe, asked.streams), data, span, context.zone, strip_px=104, states=states)
    low_px = figure.layout.height
    figure.layout.height = None
    room = f"max({low_px}px, calc(100vh - 310px))"
    marks = attributes(
        page="trend",
        line=asked.line,
        shift=str(offset_ms(asked.end_ms, context.zone)),
        start=str(asked.start_ms),
        end=str(asked.end_ms),
    )
    drawn = sum(len(t) for t, _ in data.values())
    zone = datetime.fromtimestamp(asked.end_ms / 1e3, ZoneInfo(context.zone)).tzname()
    message = (
        f"{format.number(total, 'm')} samples, {format.number(drawn, 'm')} points shown (peaks preserved); local "
        f"time ({zone}). Drag to zoom in at full resolution; double-click to reset. Grey background: stopped "
        f"(dark), ramping (light). Limits are those of recipe {recipe.recipe if recipe else '(unknown)'}."
    )
    return html.Div(chart("long-trends", figure, coloured=False, height=room), **marks), message
