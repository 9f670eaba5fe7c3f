"""The page Trends."""

from dashboard.page import Page, Shows
from dashboard.pages.trend import callbacks, layout

PAGE = Page(
    path="trend", title="Trends", question="How did the readings change?", group="Why", order=1, shows=Shows.WORKS,
    layout=layout.content, register=callbacks.register,
)  # fmt: skip
