"""Layout of a line: status and drum, cable path with dwell times, the last ten minutes."""

from urllib.parse import quote

from dash import dcc, html

from dashboard.components import Children, attributes
from dashboard.components.chart import chart
from dashboard.components.curing import curing
from dashboard.components.pathway import pathway
from dashboard.context import Context, shown_streams
from dashboard.figures.strips import offset_ms, strips, strips_figure
from dashboard.queries import downsample
from dashboard.queries.downsample import Points
from dashboard.queries.live import BACKFILL_MS
from monitor.contract.config.line import Line
from monitor.contract.topics import Stream

COLUMNS = 3
CURING_EVERY_MS = 4000
SHORTEST_PATH_M = 2.0


def content(context: Context, name: str) -> Children:
    """The page of one line."""
    line = context.configuration.lines[name]
    recipe = context.recipe_now(name)
    streams = [p for p in shown_streams(line) if recipe is None or any(w.stream == p for w in recipe.window)]
    end = context.now_ms
    span = (end - BACKFILL_MS, end)
    figure = strips_figure(
        strips(line, recipe, streams),
        _recent(context, line, streams, span),
        span,
        context.zone,
        columns=COLUMNS,
        strip_px=128,
        states=context.record.states(name, *span),
    )
    # What the browser needs to continue from here.
    data = attributes(
        page="line",
        line=name,
        recipe=recipe.recipe if recipe else "",
        shift=str(offset_ms(end, context.zone)),
        span=str(BACKFILL_MS),
    )
    return [
        html.Div(
            [
                html.Div([html.H1(line.title), html.P("Line status", className="asked")], className="top"),
                html.Div(id="lines", className="lines one"),
                *_path(line),
                *_cure(context, line),
                html.Div(
                    [
                        html.H2(f"Last 10 minutes with limits of recipe {recipe.recipe if recipe else '(unknown)'}"),
                        dcc.Link("Longer trends", href=f"/trend?line={quote(name)}"),
                    ],
                    className="beside",
                ),
                chart("live-trends", figure, coloured=False),
            ],
            **data,
        )
    ]


def _path(line: Line) -> Children:
    """The cable path; a test bench has none."""
    places = [s.middle_m for s in line.station]
    if max(places) - min(places) < SHORTEST_PATH_M:
        return []
    text = "Temperature of each zone, and dwell time per pass at the current speed."
    return [html.H2("Cable path (to scale)"), html.P(text, className="note"), pathway(line)]


def _cure(context: Context, line: Line) -> Children:
    """Cure of the cable now in the line, updated every few seconds by its own callback."""
    if not any(r.cure for r in context.configuration.recipes_for(line.line).values()):
        return []
    return [
        html.H2("Temperature and cure along the path"),
        html.Div(curing(context, line), id="curing", role="region"),
        dcc.Interval(id="curing-turn", interval=CURING_EVERY_MS),
    ]


def _recent(context: Context, line: Line, streams: list[str], span: tuple[int, int]) -> dict[str, Points]:
    found: dict[str, Points] = {}
    for path in streams:
        settings = line.streams[path]
        trend = downsample.live(context.record.samples(Stream(line.line, settings.station, settings.quantity), *span))
        found[path] = (trend.t_ms.tolist(), [round(float(v), 4) for v in trend.v])
    return found
