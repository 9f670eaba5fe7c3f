"""The page Line."""

from dashboard.page import Page, Shows
from dashboard.pages.line import layout
from dashboard.pages.line.callbacks import CALLBACKS

PAGE = Page(
    path="line", title="Line", question="", group="Now", order=0, shows=Shows.LINE,
    layout=layout.content, callbacks=CALLBACKS,
)  # fmt: skip
