"""The two metre axes of a drum, set in one place: wound order below, the same metres from the outer end above."""

import plotly.graph_objects as go

from dashboard.figures.style import Props
from dashboard.queries.ribbon import outer_m

SHORT_M = 10.0  # under this, whole metres are too coarse for an axis


def outer_range(wound_range: tuple[float, float], length_m: float) -> tuple[float, float]:
    """What the upper axis must show while the lower one shows `wound_range`: it runs the other way."""
    return outer_m(wound_range[0], length_m), outer_m(wound_range[1], length_m)


def set_metre_axes(fig: go.Figure, length_m: float, wound_range: tuple[float, float] | None = None) -> None:
    """Set both axes of a drum of `length_m`; a faint trace holds the upper axis, which exists only with data."""
    low, high = wound_range or (0.0, length_m)
    common: Props = {
        "showgrid": True,
        "zeroline": False,
        "ticks": "outside",
        "ticklen": 5,
        "anchor": "free",
        "tickformat": ",.0f" if length_m >= SHORT_M else ",.1f",
        "separatethousands": True,
        "minor": {"ticks": "outside", "ticklen": 3, "nticks": 5},
        "autorange": False,
    }
    fig.update_layout(
        xaxis=common
        | {
            "range": [low, high],
            "side": "bottom",
            "position": 0,
            "title": {"text": "drum metre, wound order (m)", "standoff": 6},
            "showspikes": True,
            "spikemode": "across",
            "spikethickness": 1,
            "spikedash": "solid",
        },
        xaxis2=common
        | {
            "range": list(outer_range((low, high), length_m)),
            "side": "top",
            "position": 1,
            "overlaying": "x",
            "showgrid": False,
            "title": {"text": "distance from outer end, unwinding order (m)", "standoff": 6},
        },
    )
    fig.add_scatter(x=[length_m, 0.0], y=[None, None], xaxis="x2", mode="markers", hoverinfo="skip", name="outer")
