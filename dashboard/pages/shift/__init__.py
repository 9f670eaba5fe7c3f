"""The page Shift."""

from dashboard.page import Page, Shows
from dashboard.pages.shift import layout
from dashboard.pages.shift.callbacks import CALLBACKS

PAGE = Page(
    path="shift", title="Shift", question="What is handed over?", group="Now", order=3, shows=Shows.WORKS,
    layout=layout.content, callbacks=CALLBACKS,
)  # fmt: skip
