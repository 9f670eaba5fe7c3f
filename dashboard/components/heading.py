"""The heading of a page: its title, a noun, with the question it answers in lighter type beside it."""

from dash import html


def heading(title: str, question: str) -> list[html.H1 | html.P]:
    """Both, for the page's `top`; they are the title and question under which the page registers."""
    return [html.H1(title), html.P(question, className="asked")]
