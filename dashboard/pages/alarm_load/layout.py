"""Layout of Alarm load: alarm rate by shift, peaks, floods, and the most frequent alarms."""

from collections.abc import Mapping

import dash_mantine_components as dmc
import numpy as np
import plotly.graph_objects as go
from dash import html

from dashboard.components import Children, attributes
from dashboard.components.chart import chart
from dashboard.components.heading import heading
from dashboard.components.table import table
from dashboard.context import Context
from dashboard.figures.strips import offset_ms
from dashboard.figures.style import GREY, ORANGE, VERMILLION, figure
from dashboard.pages.limits.layout import alarm_title
from dashboard.text import format
from dashboard.text.format import exact, fixed, percent, significant
from monitor.analysis.activations import Activation, of_rows
from monitor.analysis.alarm_load import AlarmFigures, figures, observed
from monitor.analysis.shift_calendar import shifts_between

SPANS_H = {"8 h": 8, "24 h": 24, "7 days": 168, "30 days": 720}
ALL = "all lines"
MOST = 200_000
JUDGED_FROM_S = 3600.0  # of observed time; a rate of less is shown and not judged


def content(context: Context) -> Children:
    """Choices; the rest comes by a callback."""
    lines = {n: x.title for n, x in context.configuration.lines.items()}
    return [
        html.Div(
            heading("Alarm load", "How many alarms does each operator get?"),
            className="top",
            **attributes(page="alarm-load"),
        ),
        html.Div(
            [
                dmc.Select(
                    id="alarm-load-line", label="Line", value=ALL, allowDeselect=False, w=180,
                    data=[ALL, *({"value": n, "label": t} for n, t in lines.items())],
                ),
                dmc.SegmentedControl(id="alarm-load-span", data=list(SPANS_H), value="24 h"),
            ],
            className="controls",
        ),
        html.Div(id="alarm-load-answer"),
    ]  # fmt: skip


def answer(context: Context, line: str, span: str) -> Children:
    """Figures of the span, its shifts, its ten-minute counts and its most frequent alarms."""
    end = context.now_ms
    start = end - SPANS_H.get(span, 24) * 3_600_000
    rows = context.record.alarm_changes(None if line == ALL else line, start - 7 * 86_400_000, end, MOST)
    raised = of_rows(rows)
    settings = context.configuration.works.alarm_figures
    recorded = _recorded(context, line, start, end)
    watched_s = observed(recorded, raised, start / 1e3, end / 1e3)
    found = figures(raised, start / 1e3, end / 1e3, settings, observed_s=watched_s)
    by_shift = _by_shift(context, raised, recorded, (start, end))
    return [
        _summary(context, found),
        chart("alarm-load-windows", _windows(context, raised, start, end)),
        html.Div([by_shift, _frequent(context, found)], className="beside-blocks two"),
        _notes(context, found),
    ]


def _recorded(context: Context, line: str, start: int, end: int) -> dict[str, tuple[float, float]]:
    """By line, the first time on record within a span (UTC ms) and the newest, UTC s."""
    found = {}
    for now in context.record.lines_now():
        states = context.record.states(now.line, start, end) if line in (ALL, now.line) else ()
        if states:
            found[now.line] = states[0][0] / 1e3, now.t_ms / 1e3
    return found


def _summary(context: Context, f: AlarmFigures) -> html.P:
    s = context.configuration.works.alarm_figures
    if f.observed_s <= 0:
        return html.P("No line was observed in this period.", className="outcome", id="alarm-load-result")
    word = (
        f"too short to judge, {format.span(JUDGED_FROM_S)} needed" if f.observed_s < JUDGED_FROM_S
        else "acceptable" if f.per_window <= s.acceptable_per_window
        else "manageable" if f.per_window <= s.manageable_per_window else "overloaded"
    )  # fmt: skip
    text = (
        f"Alarms: {f.count} in {format.span(f.observed_s)} observed, {significant(f.per_window, 2)} per 10 min per "
        f"operator position: {word}. "
        f"Peak {f.peak} in 10 min. Floods: {len(f.floods)}, {percent(f.flood_share, 1)} of the time."
    )
    return html.P(text, className="outcome" + (" bad" if f.floods else ""), id="alarm-load-result")


def _windows(context: Context, raised: list[Activation], start: int, end: int) -> go.Figure:
    s = context.configuration.works.alarm_figures
    step = s.window_s * 1e3
    edges = np.arange(start, end + step, step)
    counts, _ = np.histogram([r.t_s * 1e3 for r in raised], edges)
    shift = offset_ms(end, context.zone)
    fig = figure(210, top=10, bottom=34, left=48, right=120)
    fig.add_bar(
        x=(edges[:-1] + shift + step / 2).tolist(), y=counts.tolist(), width=step * 0.9, marker={"color": GREY},
        customdata=[fixed(count, 0) for count in counts.tolist()], hovertemplate="%{customdata} alarms<extra></extra>",
    )  # fmt: skip
    for at, text, colour, raised_px in (
        (s.acceptable_per_window, "acceptable", GREY, -4), (s.manageable_per_window, "manageable", ORANGE, 6),
        (s.flood_begins, "a flood", VERMILLION, 8),
    ):  # fmt: skip
        at_all = at * (s.operator_positions if text != "a flood" else 1)
        fig.add_shape(
            type="line", xref="paper", x0=0, x1=1, y0=at_all, y1=at_all,
            line={"color": colour, "width": 1, "dash": "4px,3px"},
        )  # fmt: skip
        fig.add_annotation(
            xref="paper", x=1, xanchor="left", y=at_all, text=f" {text} {exact(at_all)}", showarrow=False, font_size=10,
            yshift=raised_px,
        )  # fmt: skip
    fig.update_layout(
        bargap=0, xaxis={"type": "date", "range": [start + shift, end + shift]},
        yaxis={"title": {"text": "alarms per 10 min"}, "rangemode": "tozero", "showgrid": True},
    )  # fmt: skip
    return fig


def _by_shift(
    context: Context, raised: list[Activation], recorded: Mapping[str, tuple[float, float]], within: tuple[int, int]
) -> html.Div:
    works = context.configuration.works
    rows = []
    for span in shifts_between(*within, works.shift, works.time_zone)[::-1][:30]:
        a_s, b_s = max(span.start_ms, within[0]) / 1e3, min(span.end_ms, within[1]) / 1e3
        f = figures(raised, a_s, b_s, works.alarm_figures, observed_s=observed(recorded, raised, a_s, b_s))
        rows.append(
            [
                span.title,
                format.span(f.observed_s) if f.observed_s > 0 else "none",
                f.count,
                significant(f.per_window, 2) if f.observed_s > 0 else "",
                f.peak,
                len(f.floods),
                len(f.chattering),
                f.fleeting,
            ]
        )
    return table(
        "Shift by shift, newest first",
        ["Shift", "Observed", "Alarms", "Per 10 min", "Peak", "Floods", "Chattering", "Fleeting"],
        rows, empty="The plant has no shifts: add [[shift]] to works.toml.", numeric=(1, 2, 3, 4, 5, 6, 7),
    )  # fmt: skip


def _frequent(context: Context, f: AlarmFigures) -> html.Div:
    rows = []
    for one in f.frequent:
        line, _, alarm = one.alarm.partition("/")
        title = context.configuration.lines[line].title if line in context.configuration.lines else line
        marks = [w for w, some in (("chattering", f.chattering), ("stale", f.stale)) if one.alarm in some]
        rows.append([title, alarm_title(context, line, alarm), one.count, percent(one.share), ", ".join(marks)])
    return table(
        "Most frequent alarms and their share of the load", ["Line", "Alarm", "Count", "Share", "Note"], rows,
        empty="No alarms in this period.", numeric=(2, 3),
    )  # fmt: skip


def _notes(context: Context, f: AlarmFigures) -> html.P:
    s = context.configuration.works.alarm_figures
    p = f.priorities
    stale = "; ".join(alarm_title(context, *alarm.split("/", 1)) for alarm in f.stale) or "none"
    return html.P(
        f"Priorities: {percent(p['low'])} low, {percent(p['medium'])} medium, {percent(p['high'])} high (usual: "
        f"{percent(s.low_share)}, {percent(s.medium_share)}, {percent(s.high_share)}). Stale (active longer than "
        f"{exact(s.stale_h)} h): {stale}. A flood: {s.flood_begins} in {format.span(s.window_s)} until fewer than "
        f"{s.flood_ends}. Thresholds: [alarm_figures] in works.toml; definitions of ISA-18.2, IEC 62682 and EEMUA "
        "191, some quoted from memory and not checked against the standards.",
        className="note",
    )
