"""The page Record of drum."""

from dashboard.page import Page, Shows
from dashboard.pages.release import callbacks, layout

PAGE = Page(
    path="release", title="Record of drum", question="", group="Cable", order=0, shows=Shows.DRUM,
    layout=layout.content, register=callbacks.register,
)  # fmt: skip
