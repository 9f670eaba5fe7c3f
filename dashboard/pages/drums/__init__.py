"""The page Drums."""

from dashboard.page import Page, Shows
from dashboard.pages.drums import layout
from dashboard.pages.drums.callbacks import CALLBACKS

PAGE = Page(
    path="drums", title="Drums", question="What is in each drum?", group="Cable", order=1, shows=Shows.WORKS,
    layout=layout.content, callbacks=CALLBACKS,
)  # fmt: skip
