"""The page Health."""

from dashboard.page import Page, Shows
from dashboard.pages.health import layout

PAGE = Page(
    path="health", title="Health", question="Are the data complete, and is the system running?",
    group="Why", order=7, shows=Shows.WORKS,
    layout=layout.content,
)  # fmt: skip
