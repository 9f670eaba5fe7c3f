"""What all figures share: the palette of the abnormal, and a frame whose greys come from the style sheet.

The abnormal has Okabe and Ito's colours (2008), the same in both themes. Ink, rules and ground are set by CSS
(`assets/look.css`), so one figure serves light, dark and paper.
"""

from typing import Any, TypeAlias

import plotly.graph_objects as go

from dashboard.text import format
from monitor.contract.record import Verdict

Props: TypeAlias = dict[str, Any]  # as Plotly takes them: it has no types

VERMILLION, ORANGE, BLUE, GREY = "#D55E00", "#E69F00", "#0072B2", "#8A9096"
COLOUR = {
    Verdict.CONFORMING: GREY,
    Verdict.SUSPECT: ORANGE,
    Verdict.UNVERIFIED: GREY,
    Verdict.NONCONFORMING: VERMILLION,
}
LIMIT_LINE = {
    "LOLO": {"color": VERMILLION, "width": 1.2},
    "LO": {"color": ORANGE, "width": 1.2, "dash": "4px,3px"},
    "HI": {"color": ORANGE, "width": 1.2, "dash": "4px,3px"},
    "HIHI": {"color": VERMILLION, "width": 1.2},
}
CONFIG: Any = {  # Dash's own type of it is inside its Graph
    "displaylogo": False,
    "displayModeBar": False,
    "responsive": True,
    "doubleClick": "reset",
    "showTips": False,
}
FONT = "system-ui, 'Segoe UI', 'Noto Sans', 'DejaVu Sans', sans-serif"


def hover_format(of_unit: str, decimals: int | None = None) -> Props:
    """For an axis whose points the browser adds to: `number`'s decimals and groups, as `%{x}` or `%{y}` shows them.

    D3's formats know no more; where all points come from here, their numbers do as texts in `customdata`.
    """
    return {"hoverformat": f",.{format.DECIMALS.get(of_unit, 2) if decimals is None else decimals}f"}


def figure(height_px: int, *, top: int = 28, bottom: int = 28, left: int = 56, right: int = 16) -> go.Figure:
    """An empty figure in the house frame."""
    return go.Figure(
        layout={
            "height": height_px,
            "margin": {"t": top, "b": bottom, "l": left, "r": right},
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "font": {"family": FONT, "size": 12, "color": "#5b6167"},
            "separators": ".\u202f",
            "showlegend": False,
            "hovermode": "closest",
            "dragmode": "zoom",
            "template": "none",
            "hoverlabel": {"font": {"family": FONT, "size": 13}},
        }
    )
