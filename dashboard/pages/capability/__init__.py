"""The page How it holds."""

from dashboard.page import Page, Shows
from dashboard.pages.capability import callbacks, layout

PAGE = Page(
    path="hold", title="How it holds", question="is it capable", group="Why", order=3, shows=Shows.WORKS,
    layout=layout.content, register=callbacks.register,
)  # fmt: skip
