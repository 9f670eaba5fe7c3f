"""The page Recurring."""

from dashboard.page import Page, Shows
from dashboard.pages.recurrence import callbacks, layout

PAGE = Page(
    path="again", title="Recurring", question="what keeps coming back", group="Why", order=2, shows=Shows.WORKS,
    layout=layout.content, register=callbacks.register,
)  # fmt: skip
