"""Temperature and cure of the cable along its path: as it is now, as the recipe has it, or at other settings."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.style import BLUE, GREY, LIMIT_LINE, VERMILLION, Props, figure
from dashboard.text.format import exact, number, quantity
from monitor.contract.config import titles
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Cure
from monitor.contract.record import Floats
from monitor.evidence.metre_history import Heat

INDEX_MOST = 4.0
ZONE_GROUND = {"air": "rgba(213,94,0,0.07)", "water": "rgba(0,114,178,0.08)"}
POINTS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Along:
    """One curve along the path (k,): metres from the head, temperatures [degC], index; `now` is drawn strong."""

    name: str
    position_m: Floats
    inner_C: Floats
    surface_C: Floats
    index: Floats
    now: bool = True
    expected: Floats | None = None


@dataclass(frozen=True, slots=True)
class Shade:
    """A zone on the axis."""

    title: str
    start: float
    end: float
    medium: str


def along_figure(line: Line, cure: Cure, curves: Sequence[Along], height_px: int = 330) -> go.Figure:
    """Over the path: metres from the head; zones shaded and named."""
    end_m = line.take_up_m
    shades = [
        Shade(titles.station_title(line, z.name), z.start_m, min(z.end_m, end_m), z.medium)
        for z in line.zone
        if 0 <= z.start_m < end_m
    ]
    return curves_figure(cure, curves, shades, end_m, "distance from crosshead (m)", height_px)


def history_figure(line: Line, cure: Cure, heat: Heat, height_px: int = 300) -> go.Figure:
    """Over time since the metre left the head, s; a stop is as wide as it was long."""
    t = heat.trace.t_s - heat.trace.t_s[0]
    curve = Along(
        name="this metre",
        position_m=t,
        inner_C=heat.trace.inner_C,
        surface_C=heat.trace.surface_C,
        index=heat.trace.index_inner,
    )
    shades = []
    for z in line.zone:
        if 0 <= z.start_m < line.take_up_m:
            came, left = np.interp((z.start_m, z.end_m), heat.position_m, t).tolist()
            shades.append(Shade(titles.station_title(line, z.name), came, left, z.medium))
    return curves_figure(cure, [curve], shades, float(t[-1]), "time since crosshead (s)", height_px)


def curves_figure(
    cure: Cure, curves: Sequence[Along], shades: Sequence[Shade], end: float, axis_title: str, height_px: int
) -> go.Figure:
    """Temperatures above, cure index below, over one axis."""
    fig = figure(height_px, top=26, bottom=42, left=58, right=86)
    axis: Props = {"showgrid": True, "zeroline": False, "ticks": "outside", "ticklen": 4}
    top = 0.46
    fig.update_layout(
        hovermode="x",
        xaxis=axis | {"range": [0, end], "title": {"text": axis_title, "standoff": 4}, "anchor": "y2"},
        yaxis=axis | {"domain": [top, 1.0], "rangemode": "tozero", "title": {"text": "\N{DEGREE SIGN}C"}},
        yaxis2=axis | {"domain": [0.0, top - 0.09], "range": [0, INDEX_MOST], "title": {"text": "cure index"}},
    )
    for shade in shades:
        _ground(fig, shade)
    for curve in curves:
        _add(fig, curve)
    for name, at, label in (("LOLO", cure.index_min, "min"), ("LO", cure.index_warn, "marginal")):
        fig.add_shape(type="line", xref="paper", x0=0, x1=1, yref="y2", y0=at, y1=at, line=LIMIT_LINE[name])
        fig.add_annotation(
            xref="paper", x=1, xanchor="left", yref="y2", y=at, text=f" {label} {exact(at)}", showarrow=False,
            font_size=10, yshift=5 if name == "LO" else -5,
        )  # fmt: skip
    return fig


def _ground(fig: go.Figure, shade: Shade) -> None:
    colour = ZONE_GROUND.get(shade.medium, ZONE_GROUND["air"])
    fig.add_shape(
        type="rect", x0=shade.start, x1=shade.end, yref="paper", y0=0, y1=1, layer="below", line_width=0,
        fillcolor=colour,
    )  # fmt: skip
    fig.add_annotation(
        x=(shade.start + shade.end) / 2, yref="paper", y=1, yanchor="bottom", text=shade.title, showarrow=False,
        font_size=10,
    )  # fmt: skip


def _add(fig: go.Figure, c: Along) -> None:
    width = 2.0 if c.now else 1.0
    some = _thin(len(c.position_m))
    for name, values, unit, colour, dash in (
        ("surface", c.surface_C, "degC", VERMILLION if c.now else GREY, "solid"),
        ("inner", c.inner_C, "degC", BLUE if c.now else GREY, "6px,2px"),
        ("index", np.minimum(c.index, INDEX_MOST * 1.5), "1", BLUE if c.now else GREY, "6px,2px"),
    ):
        fig.add_scatter(
            x=c.position_m[some].tolist(), y=np.round(values[some], 3).tolist(), mode="lines",
            yaxis="y" if unit == "degC" else "y2",
            name=f"{c.name}, {name}", line={"color": colour, "width": width, "dash": dash},
            customdata=[quantity(v, unit) for v in values[some].tolist()], meta="profile",
            hovertemplate=f"{c.name}, {name} %{{customdata}}<extra></extra>",
        )  # fmt: skip
    if c.expected is not None:
        fig.add_scatter(
            x=c.position_m.tolist(), y=np.minimum(c.expected, INDEX_MOST * 1.5).tolist(), yaxis="y2", mode="markers",
            name="at the take-up", marker={"size": 4, "color": BLUE, "symbol": "line-ew-open"},
            customdata=[number(v, "1") for v in c.expected.tolist()],
            hovertemplate="will be %{customdata} at the take-up<extra></extra>",
        )  # fmt: skip


def _thin(count: int) -> slice:
    return slice(None, None, max(1, count // POINTS))


def from_status(cable: Mapping[str, Sequence[float]]) -> Along:
    """The cable as the monitor reports it, from the head on."""
    position, inner, surface, index, expected = (
        np.array(cable[name], dtype=float)[::-1] for name in ("position_m", "inner_C", "surface_C", "index", "expected")
    )
    return Along(name="now", position_m=position, inner_C=inner, surface_C=surface, index=index, expected=expected)
