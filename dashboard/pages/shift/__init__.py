"""The page Shift."""

from dashboard.page import Page, Shows
from dashboard.pages.shift import callbacks, layout

PAGE = Page(
    path="shift", title="Shift", question="What is handed over?", group="Now", order=3, shows=Shows.WORKS,
    layout=layout.content, register=callbacks.register,
)  # fmt: skip
