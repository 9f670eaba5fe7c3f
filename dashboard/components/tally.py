"""Priority as tally strokes and its word: one, two or three bars."""

from dash import html

from dashboard.components import Attributes

HIDDEN: Attributes = {"aria-hidden": "true"}
STROKES = {"low": 1, "medium": 2, "high": 3}


def tally(priority: str, text: str | None = None) -> html.Span:
    """Strokes in our own drawing, with the word beside them."""
    strokes = [html.I() for _ in range(STROKES.get(priority, 0))]
    return html.Span(
        [html.Span(strokes, className="strokes", **HIDDEN), text or priority],
        className=f"tally {priority}",
    )
