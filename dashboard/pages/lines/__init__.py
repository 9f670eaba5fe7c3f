"""The page Lines."""

from dashboard.page import Page, Shows
from dashboard.pages.lines import layout

PAGE = Page(
    path="", title="Lines", question="which needs me", group="Now", order=1, shows=Shows.WORKS,
    layout=layout.content,
)  # fmt: skip
