"""The page Health."""

from dashboard.page import Page, Shows
from dashboard.pages.health import layout

PAGE = Page(
    path="health", title="Health", question="can I trust this", group="Why", order=7, shows=Shows.WORKS,
    layout=layout.content,
)  # fmt: skip
