"""The page Limits."""

from dashboard.page import Page, Shows
from dashboard.pages.limits import callbacks, layout

PAGE = Page(
    path="limits", title="Limits", question="What if the limits were different?",
    group="Why", order=5, shows=Shows.WORKS,
    layout=layout.content, register=callbacks.register,
)  # fmt: skip
