"""The page Drums."""

from dashboard.page import Page, Shows
from dashboard.pages.drums import layout

PAGE = Page(
    path="drums", title="Drums", question="what is in them", group="Cable", order=1, shows=Shows.WORKS,
    layout=layout.content,
)  # fmt: skip
