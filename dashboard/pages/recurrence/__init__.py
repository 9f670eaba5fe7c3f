"""The page Recurring."""

from dashboard.page import Page, Shows
from dashboard.pages.recurrence import callbacks, layout

PAGE = Page(
    path="recurring", title="Recurring faults", question="Which faults return at a regular spacing?",
    group="Why", order=2, shows=Shows.WORKS,
    layout=layout.content, register=callbacks.register,
)  # fmt: skip
