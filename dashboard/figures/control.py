"""Control charts: points, centre and limits, points outside marked by shape and colour; faults per km by drum."""

from collections.abc import Sequence

import plotly.graph_objects as go

from dashboard.figures.style import BLUE, GREY, VERMILLION, figure
from dashboard.text.format import significant
from monitor.statistics.charts import Chart, Cusum
from monitor.statistics.counts import UChart


def chart_figure(
    x: Sequence[float], chart: Chart, axis_title: str, y_title: str, flagged: Sequence[int] = (), height_px: int = 230
) -> go.Figure:
    """One chart over its places; `flagged` are signals of run rules beside the points that are out."""
    fig = _empty(axis_title, y_title, height_px)
    for name, y in (("upper limit", chart.upper), ("lower limit", chart.lower)):
        fig.add_scatter(
            x=list(x), y=y.tolist(), mode="lines", line={"color": VERMILLION, "width": 1, "dash": "4px,3px"}, name=name,
            hoverinfo="skip", meta="profile",
        )  # fmt: skip
    fig.add_shape(
        type="line", xref="paper", x0=0, x1=1, y0=chart.centre, y1=chart.centre, line={"color": GREY, "width": 1}
    )
    _points(fig, x, chart.points.tolist(), chart.out, flagged)
    return fig


def cusum_figure(x: Sequence[float], sums: Cusum, axis_title: str, y_title: str, height_px: int = 230) -> go.Figure:
    """CUSUM: both sums, the lower one downwards, with the decision interval."""
    fig = _empty(axis_title, y_title, height_px)
    for at in (sums.h, -sums.h):
        fig.add_shape(
            type="line", xref="paper", x0=0, x1=1, y0=at, y1=at,
            line={"color": VERMILLION, "width": 1, "dash": "4px,3px"},
        )  # fmt: skip
    _points(fig, x, sums.high.tolist(), [i for i in sums.out if sums.high[i] > sums.h], ())
    _points(fig, x, (-sums.low).tolist(), [i for i in sums.out if sums.low[i] > sums.h], ())
    return fig


def u_figure(names: Sequence[str], chart: UChart, y_title: str, height_px: int = 230) -> go.Figure:
    """Faults per length, one bar of limits a drum."""
    fig = _empty("", y_title, height_px)
    x = list(range(len(names)))
    for y in (chart.upper, chart.lower):
        fig.add_scatter(
            x=x, y=y.tolist(), mode="lines", line={"color": VERMILLION, "width": 1, "dash": "4px,3px", "shape": "hvh"},
            hoverinfo="skip", meta="profile",
        )  # fmt: skip
    fig.add_shape(
        type="line", xref="paper", x0=0, x1=1, y0=chart.centre, y1=chart.centre, line={"color": GREY, "width": 1}
    )
    _points(fig, x, chart.per_length.tolist(), chart.out, (), names)
    fig.update_layout(xaxis={"tickvals": x, "ticktext": list(names)})
    return fig


def _empty(axis_title: str, y_title: str, height_px: int) -> go.Figure:
    fig = figure(height_px, top=12, bottom=40, left=64, right=20)
    fig.update_layout(
        xaxis={"title": {"text": axis_title, "standoff": 4}, "showgrid": True, "zeroline": False},
        yaxis={"title": {"text": y_title}, "showgrid": True, "zeroline": False},
    )
    return fig


def _points(
    fig: go.Figure, x: Sequence[float], y: Sequence[float], out: Sequence[int], flagged: Sequence[int],
    names: Sequence[str] | None = None,
) -> None:  # fmt: skip
    places = [significant(at, 6) for at in x] if names is None else names
    colour = [VERMILLION if i in set(out) else BLUE if i in set(flagged) else GREY for i in range(len(y))]
    symbol = ["diamond" if i in set(out) else "square" if i in set(flagged) else "circle" for i in range(len(y))]
    size = [9 if c != GREY else 4 for c in colour]
    fig.add_scatter(
        x=list(x), y=list(y), mode="lines+markers", line={"color": GREY, "width": 1},
        marker={"color": colour, "symbol": symbol, "size": size}, meta="profile",
        customdata=[f"{place}: {significant(value, 4)}" for place, value in zip(places, y, strict=True)],
        hovertemplate="%{customdata}<extra></extra>",
    )  # fmt: skip
