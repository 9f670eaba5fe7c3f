"""The page Traceability of drum."""

from dashboard.page import Page, Shows
from dashboard.pages.traceability import layout
from dashboard.pages.traceability.callbacks import CALLBACKS

PAGE = Page(
    path="traceability", title="Traceability of drum", question="", group="Cable", order=0, shows=Shows.DRUM,
    layout=layout.content, callbacks=CALLBACKS,
)  # fmt: skip
