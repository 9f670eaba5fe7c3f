"""The page Drum."""

from dashboard.page import Page, Shows
from dashboard.pages.drum import callbacks, layout

PAGE = Page(
    path="drum", title="Drum", question="", group="Cable", order=0, shows=Shows.DRUM,
    layout=layout.content, register=callbacks.register,
)  # fmt: skip
