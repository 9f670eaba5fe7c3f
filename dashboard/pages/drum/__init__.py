"""The page Drum."""

from dashboard.page import Page, Shows
from dashboard.pages.drum import layout
from dashboard.pages.drum.callbacks import CALLBACKS

PAGE = Page(
    path="drum", title="Drum", question="", group="Cable", order=0, shows=Shows.DRUM,
    layout=layout.content, callbacks=CALLBACKS,
)  # fmt: skip
