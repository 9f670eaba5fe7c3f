"""The page What if."""

from dashboard.page import Page, Shows
from dashboard.pages.what_if import layout
from dashboard.pages.what_if.callbacks import CALLBACKS

PAGE = Page(
    path="what-if", title="What if", question="How would the cable cure at another speed or temperature?",
    group="Why", order=4, shows=Shows.WORKS,
    layout=layout.content, callbacks=CALLBACKS,
)  # fmt: skip
