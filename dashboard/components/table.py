"""Plain tables with captions: a row that scrolls can be reached by keyboard, and a printed one is whole."""

from collections.abc import Sequence

from dash import html

from dashboard.components import Child, Children, Row, aria, attributes
from dashboard.text.format import fixed

WIDE = 6  # columns; on a tablet their rows are cards


def table(
    caption: str,
    head: Sequence[str],
    rows: Sequence[Row],
    *,
    empty: str,
    classes: str = "",
    numeric: Sequence[int] = (),
) -> html.Div:
    """Rows under column heads; `numeric` columns are right-aligned; `empty` is shown where there is no row.

    Counts are written as all numbers are. Raises ValueError for a table or a column without a name: who listens to the
    screen reader gets nothing else of it.
    """
    if not caption or not all(head):
        raise ValueError(f"a table needs a caption and a name for each column, got {caption!r}, {list(head)}")
    heads = [html.Th(h, scope="col", className="n" if i in numeric else "") for i, h in enumerate(head)]
    if len(head) >= WIDE:
        classes = f"{classes} wide".strip()
    body: Children = [
        html.Tr([_cell(*one, i in numeric) for i, one in enumerate(zip(row, head, strict=True))]) for row in rows
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


def _cell(cell: Child, head: str, numeric: bool) -> html.Td:
    """A cell; on a narrow screen a row is a card, with its head beside each cell."""
    written = fixed(cell, 0) if isinstance(cell, int) and not isinstance(cell, bool) else cell
    return html.Td(written, className="n" if numeric else "", **attributes(label=head))
