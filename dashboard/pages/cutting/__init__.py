"""The page Cutting."""

from dashboard.page import Page, Shows
from dashboard.pages.cutting import layout
from dashboard.pages.cutting.callbacks import CALLBACKS

PAGE = Page(
    path="cutting", title="Cutting", question="How should these drums be cut?",
    group="Cable", order=2, shows=Shows.WORKS,
    layout=layout.content, callbacks=CALLBACKS,
)  # fmt: skip
