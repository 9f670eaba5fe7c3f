"""The page Record of drum."""

from dashboard.page import Page, Shows
from dashboard.pages.release import layout
from dashboard.pages.release.callbacks import CALLBACKS

PAGE = Page(
    path="release", title="Record of drum", question="", group="Cable", order=0, shows=Shows.DRUM,
    layout=layout.content, callbacks=CALLBACKS,
)  # fmt: skip
