"""Figures of recurrence: score over period with the parts' circumferences, and the fold, one revolution per row."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.style import BLUE, GREY, VERMILLION, figure
from dashboard.text.format import fixed, significant
from monitor.contract.record import Floats

POINTS = 4000
ROWS_MOST = 400
CELLS = 60
SHADE = [[0, "rgba(128,134,140,0.03)"], [1, "rgba(128,134,140,0.95)"]]  # over either theme's ground


def score_figure(
    period: Floats, score: Floats, needed: float, found: float | None, turns: Sequence[tuple[str, float]], unit: str,
    y_title: str,
) -> go.Figure:  # fmt: skip
    """Score over period on a logarithmic axis, peaks kept when thinned; each part's turn is a mark above."""
    x, y = _peaks(period, score)
    fig = figure(290, top=58, bottom=44, left=64, right=30)
    fig.add_scatter(
        x=x, y=y, mode="lines", line={"color": GREY, "width": 1}, meta="profile",
        customdata=[f"{significant(a, 4)} {unit}: {significant(b)}" for a, b in zip(x, y, strict=True)],
        hovertemplate="%{customdata}<extra></extra>",
    )  # fmt: skip
    fig.add_shape(
        type="line", xref="paper", x0=0, x1=1, y0=needed, y1=needed, line={"color": GREY, "width": 1, "dash": "4px,3px"}
    )
    low, high = float(np.min(period)), float(np.max(period))
    for name, at in turns:
        if low <= at <= high:
            fig.add_shape(type="line", x0=at, x1=at, yref="paper", y0=1, y1=1.05, line={"color": BLUE, "width": 2})
            fig.add_annotation(
                x=float(np.log10(at)), yref="paper", y=1.05, yanchor="bottom", text=name, showarrow=False, font_size=10,
                textangle=-28, xanchor="left",
            )  # fmt: skip
    if found is not None:
        fig.add_shape(
            type="line", x0=found, x1=found, yref="paper", y0=0, y1=1, line={"color": VERMILLION, "width": 1.5}
        )
    fig.update_layout(
        xaxis={"type": "log", "title": {"text": f"period ({unit})", "standoff": 4}, "showgrid": True},
        yaxis={"title": {"text": y_title}, "rangemode": "tozero", "showgrid": True},
    )
    return fig


def _peaks(period: Floats, score: Floats) -> tuple[list[float], list[float]]:
    """The highest of each piece, so that no peak is thinned away."""
    order = np.argsort(period)
    period, score = period[order], score[order]
    if len(period) <= POINTS:
        return period.tolist(), score.tolist()
    edges = np.unique(np.searchsorted(period, np.geomspace(period[0], period[-1], POINTS)))
    tops = [a + int(np.argmax(score[a:b])) for a, b in pairwise(edges.tolist()) if b > a]
    return period[tops].tolist(), score[tops].tolist()


def fold_figure(
    x: Floats, period: float, unit: str, shade: Floats | None = None, shade_at: Floats | None = None
) -> go.Figure:
    """Events (n,) wrapped at a period, one turn a row; `shade` (m,) at `shade_at` is the signal behind them."""
    places = np.concatenate((x, shade_at if shade_at is not None else np.empty(0)))
    start, end = (float(places.min()), float(places.max())) if len(places) else (0.0, period)
    if len(x):  # what fits the period is in the middle
        mean = float(np.angle(np.exp(2j * np.pi * (x - start) / period).mean()) / (2 * np.pi) % 1.0)
        start -= (0.5 - mean) % 1.0 * period
    rows = max(1, int(np.ceil((end - start) / period)))
    together = max(1, rows // ROWS_MOST)
    fig = figure(430, top=12, bottom=44, left=64, right=30)
    if shade is not None and shade_at is not None and len(shade):
        fig.add_heatmap(
            **_shaded(shade, shade_at - start, period, together), colorscale=SHADE,
            showscale=False, hoverinfo="skip",
        )  # fmt: skip
    turn, phase = np.divmod(x - start, period)
    fig.add_scatter(
        x=phase.tolist(), y=(turn // together).tolist(), mode="markers", meta="profile",
        marker={"size": 7 if len(x) < 300 else 4, "color": VERMILLION},
        customdata=[fixed(at, 2) for at in x.tolist()], hovertemplate="at %{customdata} " + unit + "<extra></extra>",
    )  # fmt: skip
    each = "one per row" if together == 1 else f"{together} per row"
    fig.update_layout(
        xaxis={
            "range": [0, period],
            "title": {"text": f"within the revolution ({unit})", "standoff": 4},
            "showgrid": True,
        },
        yaxis={"title": {"text": f"revolution, {each}"}, "autorange": "reversed", "showgrid": False, "zeroline": False},
    )
    return fig


def _shaded(v: Floats, at: Floats, period: float, together: int) -> dict[str, object]:
    """Mean of the signal in cells of the fold, each row about its own mean."""
    turn, phase = np.divmod(at, period)
    row = (turn // together).astype(np.int64)
    cell = np.minimum((phase / period * CELLS).astype(np.int64), CELLS - 1)
    good = np.isfinite(v)
    size = (int(row.max()) + 1, CELLS)
    sums, counts = np.zeros(size), np.zeros(size)
    np.add.at(sums, (row[good], cell[good]), v[good])
    np.add.at(counts, (row[good], cell[good]), 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = sums / counts
        middle = sums.sum(axis=1, keepdims=True) / counts.sum(axis=1, keepdims=True)
    z = mean - middle
    ends = np.nanpercentile(z, [3, 97]) if np.isfinite(z).any() else [-1, 1]
    rows = [[None if c != c else round(float(c), 5) for c in line] for line in z]
    x = ((np.arange(CELLS) + 0.5) * period / CELLS).tolist()
    return {"z": rows, "x": x, "y": list(range(size[0])), "zmin": float(ends[0]), "zmax": float(ends[1])}
