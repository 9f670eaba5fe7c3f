"""The page Limits."""

from dashboard.page import Page, Shows
from dashboard.pages.limits import layout
from dashboard.pages.limits.callbacks import CALLBACKS

PAGE = Page(
    path="limits", title="Limits", question="What if the limits were different?",
    group="Why", order=5, shows=Shows.WORKS,
    layout=layout.content, callbacks=CALLBACKS,
)  # fmt: skip
