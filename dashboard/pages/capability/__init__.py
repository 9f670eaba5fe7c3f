"""The page Capability."""

from dashboard.page import Page, Shows
from dashboard.pages.capability import layout
from dashboard.pages.capability.callbacks import CALLBACKS

PAGE = Page(
    path="capability", title="Capability", question="Does the process hold its tolerances?",
    group="Why", order=3, shows=Shows.WORKS,
    layout=layout.content, callbacks=CALLBACKS,
)  # fmt: skip
