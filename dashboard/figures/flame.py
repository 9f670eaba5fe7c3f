"""A circuit integrity test over time: flame temperature with limits, shocks, water, and circuit failure."""

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.style import COLOUR, GREY, LIMIT_LINE, figure, hover_format
from dashboard.text.format import exact, fixed
from monitor.contract.record import Verdict
from monitor.evidence.specimens import Tested

HEIGHT_PX = 260


def flame_figure(of: Tested) -> go.Figure:
    """Minutes from ignition."""
    fig = figure(HEIGHT_PX, left=64, right=64)
    minutes = of.t_s / 60.0
    fig.add_scatter(
        x=np.round(minutes, 3).tolist(), y=np.round(of.flame_C, 1).tolist(), mode="lines", name="flame",
        line={"width": 1.4, "color": GREY}, hovertemplate="%{x} min<br>%{y} \u00b0C<extra></extra>",
    )  # fmt: skip
    for name, at in (("LO", of.test.flame_C - of.test.below_C), ("HI", of.test.flame_C + of.test.above_C)):
        fig.add_shape(type="line", xref="paper", x0=0, x1=1, y0=at, y1=at, line=LIMIT_LINE[name])
        fig.add_annotation(
            xref="paper", x=1, xanchor="left", y=at, text=f" {name} {exact(at)}", showarrow=False, font_size=10
        )
    top = of.test.flame_C + of.test.above_C + 60
    _marks(fig, [s / 60 for s in of.shocks_s], top, "triangle-down", "shock", GREY)
    _marks(fig, [of.water_s / 60] if of.water_s is not None else [], top, "square", "water on", GREY)
    if of.failed and of.outcome:
        colour = COLOUR[Verdict.NONCONFORMING]
        _marks(fig, [of.outcome.held_s / 60], top, "x", "circuit failed", colour)
    fig.update_layout(
        xaxis={"title": {"text": "minutes from ignition"}, "rangemode": "tozero"} | hover_format("min", 1),
        yaxis={"title": {"text": "\u00b0C"}, "range": [0, top + 60]} | hover_format("degC"), showlegend=True,
        legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
    )  # fmt: skip
    return fig


def _marks(fig: go.Figure, at: list[float], y: float, symbol: str, name: str, colour: str) -> None:
    if at:
        fig.add_scatter(
            x=at, y=[y] * len(at), mode="markers", name=name, marker={"symbol": symbol, "size": 9, "color": colour},
            customdata=[fixed(x, 2) for x in at], hovertemplate=f"{name}, %{{customdata}} min<extra></extra>",
        )  # fmt: skip
