"""The page Recurring faults."""

from dashboard.page import Page, Shows
from dashboard.pages.recurrence import layout
from dashboard.pages.recurrence.callbacks import CALLBACKS

PAGE = Page(
    path="recurring", title="Recurring faults", question="Which faults return at a regular spacing?",
    group="Why", order=2, shows=Shows.WORKS,
    layout=layout.content, callbacks=CALLBACKS,
)  # fmt: skip
