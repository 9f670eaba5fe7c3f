"""The page Line."""

from dashboard.page import Page, Shows
from dashboard.pages.line import callbacks, layout

PAGE = Page(
    path="line", title="Line", question="", group="Now", order=0, shows=Shows.LINE,
    layout=layout.content, register=callbacks.register,
)  # fmt: skip
