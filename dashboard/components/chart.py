"""A figure on a page, at the height it was drawn for."""

import plotly.graph_objects as go
from dash import dcc

from dashboard.figures.style import CONFIG


def chart(name: str, figure: go.Figure, *, coloured: bool = True, height: str | None = None) -> dcc.Graph:
    """A figure under the name `name`. Its lines keep their own colour where `coloured`, else they take the ink's.

    Its box gets a height of its own: a figure that fits itself to its box would shrink to a line in a grid.
    """
    return dcc.Graph(
        id=name, figure=figure, config=CONFIG, className="coloured" if coloured else None, style=tall(figure, height)
    )


def tall(figure: go.Figure, height: str | None = None) -> dict[str, str]:
    """The style that gives a figure's box its height."""
    return {"display": "block", "height": height or f"{figure.layout.height:.0f}px"}
