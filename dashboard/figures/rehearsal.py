"""Figures of a rehearsal: the stream with both sets of limits and their alarms; the curve of a suggestion."""

from collections.abc import Mapping, Sequence

import plotly.graph_objects as go

from dashboard.figures.strips import offset_ms
from dashboard.figures.style import BLUE, GREY, ORANGE, VERMILLION, figure
from dashboard.queries.downsample import Points
from dashboard.text import format
from dashboard.text.format import exact, fixed, significant
from monitor.analysis.activations import Activation
from monitor.analysis.suggest import Candidate, Suggestion

LIMITS = ("lolo", "lo", "hi", "hihi")


def rehearsal_figure(
    title: str,
    unit: str,
    points: Points,
    span_ms: tuple[int, int],
    zone: str,
    before: Mapping[str, float | None],
    after: Mapping[str, float | None],
    raised: tuple[Sequence[Activation], Sequence[Activation]],
) -> go.Figure:
    """The stream below, over it a row of activations for each set of limits; local time."""
    shift = offset_ms(span_ms[1], zone)
    fig = figure(380, top=20, bottom=32, left=58, right=150)
    t, v = points
    fig.add_scatter(
        x=[x + shift for x in t], y=list(v), mode="lines", line={"width": 1.2, "color": GREY}, name=title,
        customdata=[format.quantity(x, unit) for x in v], hovertemplate="%{customdata}<extra></extra>",
    )  # fmt: skip
    for name in LIMITS:
        old, new = before.get(name), after.get(name)
        if old is not None:
            _limit(
                fig,
                old,
                f"{name.upper()} {exact(old)}" + (" as it was" if old != new else ""),
                ORANGE,
                "4px,3px",
                -6,
            )
        if new is not None and new != old:
            _limit(fig, new, f"{name.upper()} {exact(new)} rehearsed", BLUE, "solid", 7)
    for row, (what, colour, some) in enumerate((("as it was", ORANGE, raised[0]), ("rehearsed", BLUE, raised[1]))):
        _row(fig, 1 - row, f"{what}: {len(some)}", colour, some, span_ms, shift)
    fig.update_layout(
        xaxis={"type": "date", "range": [span_ms[0] + shift, span_ms[1] + shift], "anchor": "y", "showgrid": True},
        yaxis={"domain": [0.0, 0.74], "zeroline": False, "showgrid": True, "title": {"text": format.unit(unit)}},
        yaxis2={"domain": [0.82, 1.0], "range": [-0.6, 1.6], "visible": False},
    )
    return fig


def _limit(fig: go.Figure, at: float, text: str, colour: str, dash: str, up_px: int) -> None:
    fig.add_shape(
        type="line", xref="paper", x0=0, x1=1, y0=at, y1=at, line={"color": colour, "width": 1.4, "dash": dash}
    )
    fig.add_annotation(
        xref="paper", x=1, xanchor="left", y=at, text=f" {text}", showarrow=False, font_size=10, yshift=up_px
    )


def _row(
    fig: go.Figure, y: int, text: str, colour: str, some: Sequence[Activation], span_ms: tuple[int, int], shift: int
) -> None:
    x: list[float | None] = []
    for r in some:
        end = span_ms[1] if r.end_s is None else min(r.end_s * 1e3, span_ms[1])
        x += [r.t_s * 1e3 + shift, max(end, r.t_s * 1e3 + 1) + shift, None]
    fig.add_scatter(
        x=x, y=[y if a is not None else None for a in x], yaxis="y2", mode="lines+markers",
        line={"color": colour, "width": 6}, marker={"symbol": "line-ns-open", "size": 11, "color": colour},
        hoverinfo="x", name=text, meta="profile",
    )  # fmt: skip
    fig.add_annotation(
        xref="paper", x=1, xanchor="left", yref="y2", y=y, text=f" {text}", showarrow=False, font_size=12
    )


def suggestion_figure(found: Suggestion, shifts: float) -> go.Figure:
    """Nuisance alarms per shift against the longest detection delay of real excursions; one line per deadband."""
    fig = figure(300, top=14, bottom=44, left=64, right=150)
    bands = list(dict.fromkeys(c.deadband for c in found.tried))
    for i, band in enumerate(bands):
        some = [c for c in found.tried if c.deadband == band]
        fig.add_scatter(
            x=[c.delay_worst_s for c in some], y=[c.nuisance / shifts for c in some], mode="lines+markers",
            line={"color": GREY, "width": 1 + 0.5 * i, "dash": ("solid", "5px,2px", "2px,2px")[i % 3]},
            marker={"size": 6, "color": [_of(c) for c in some]}, name=f"deadband {exact(band)}",
            customdata=[_candidate(c, shifts) for c in some], meta="profile",
            hovertemplate="%{customdata}<extra></extra>",
        )  # fmt: skip
    if found.chosen is not None:
        c = found.chosen
        fig.add_scatter(
            x=[c.delay_worst_s], y=[c.nuisance / shifts], mode="markers", name="suggested", hoverinfo="skip",
            marker={"symbol": "circle-open", "size": 16, "color": BLUE, "line": {"width": 3}},
        )  # fmt: skip
    fig.update_layout(
        showlegend=True,
        legend={"x": 1.02, "y": 1},
        xaxis={
            "title": {"text": "longest detection delay (s)", "standoff": 4},
            "rangemode": "tozero",
            "showgrid": True,
        },
        yaxis={"title": {"text": "nuisance alarms per shift"}, "rangemode": "tozero", "showgrid": True},
    )
    return fig


def _candidate(c: Candidate, shifts: float) -> str:
    return (
        f"deadband {exact(c.deadband)}, on-delay {exact(c.on_delay_s)} s<br>{significant(c.nuisance / shifts)} "
        f"nuisance alarms per shift, detected at most {significant(c.delay_worst_s)} s late, "
        f"{fixed(c.missed, 0)} missed"
    )


def _of(c: Candidate) -> str:
    return VERMILLION if c.missed else GREY
