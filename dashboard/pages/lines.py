"""Which line needs me? One row a line, mostly its ribbon growing; the browser draws the rows each second."""

from typing import Any

from dash import dcc, html

from dashboard.context import Context
from dashboard.views import attributes
from dashboard.views.ribbon import legend


def content(context: Context) -> list[Any]:
    """The page; rows are drawn by `assets/live.js` into `lines`."""
    many = len(context.configuration.lines) > 5
    return [
        html.Div(
            [
                html.H1("Which line needs me?"),
                html.P(id="need", className="need", role="status"),
            ],
            className="top",
        ),
        html.Div(id="lines", className="lines compact" if many else "lines", **attributes(page="lines")),
        html.Div(
            [legend(), dcc.Link(id="rejected", href="/health", className="rejected", children="")], className="under"
        ),
    ]
