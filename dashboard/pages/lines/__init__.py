"""The page Lines."""

from dashboard.page import Page, Shows
from dashboard.pages.lines import layout

PAGE = Page(
    path="", title="Lines", question="Which line needs attention?", group="Now", order=1, shows=Shows.WORKS,
    layout=layout.content,
)  # fmt: skip
