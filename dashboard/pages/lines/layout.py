"""Layout of Lines: one row per line with its ribbon; the browser updates the rows each second."""

from dash import dcc, html

from dashboard.components import Children, attributes
from dashboard.components.heading import heading
from dashboard.components.ribbon import legend
from dashboard.context import Context


def content(context: Context) -> Children:
    """The page; rows are drawn by `assets/live.js` into `lines`."""
    count = len(context.configuration.lines)
    room = "few" if count <= 3 else "compact" if count > 5 else ""
    return [
        html.Div(
            [
                *heading("Lines", "Which line needs attention?"),
                html.P(id="need", className="need", role="status"),
            ],
            className="top",
        ),
        html.Div(id="lines", className=f"lines {room}".strip(), **attributes(page="lines")),
        html.Div(
            [legend(), dcc.Link(id="rejected", href="/health", className="rejected", children="")], className="under"
        ),
    ]
