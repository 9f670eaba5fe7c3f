"""The page Drums."""

from dashboard.page import Page, Shows
from dashboard.pages.drums import layout

PAGE = Page(
    path="drums", title="Drums", question="What is in each drum?", group="Cable", order=1, shows=Shows.WORKS,
    layout=layout.content,
)  # fmt: skip
