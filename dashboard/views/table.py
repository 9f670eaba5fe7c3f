"""Plain tables with captions: a row that scrolls can be reached by keyboard, and a printed one is whole."""

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard.views import aria


def table(
    caption: str,
    head: Sequence[str],
    rows: Sequence[Sequence[Any]],
    *,
    empty: str,
    classes: str = "",
    numeric: Sequence[int] = (),
) -> html.Div:
    """Rows under column heads; `numeric` columns stand to the right; `empty` is said where there is no row."""
    heads = [html.Th(h, scope="col", className="n" if i in numeric else "") for i, h in enumerate(head)]
    body: list[Any] = [
        html.Tr([html.Td(cell, className="n" if i in numeric else "") for i, cell in enumerate(row)]) for row in rows
    ]
    if not rows:
        body = [html.Tr([html.Td(empty, colSpan=len(head), className="empty")])]
    return html.Div(
        html.Table([html.Caption(caption), html.Thead(html.Tr(heads)), html.Tbody(body)], className=classes),
        className="table-room",
        tabIndex=0,
        role="region",
        **aria(caption),
    )
