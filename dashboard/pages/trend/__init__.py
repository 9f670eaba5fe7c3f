"""The page Trends."""

from dashboard.page import Page, Shows
from dashboard.pages.trend import layout
from dashboard.pages.trend.callbacks import CALLBACKS

PAGE = Page(
    path="trend", title="Trends", question="How did the readings change?", group="Why", order=1, shows=Shows.WORKS,
    layout=layout.content, callbacks=CALLBACKS,
)  # fmt: skip
