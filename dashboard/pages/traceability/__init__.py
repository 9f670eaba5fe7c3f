"""The page Family of drum."""

from dashboard.page import Page, Shows
from dashboard.pages.traceability import callbacks, layout

PAGE = Page(
    path="traceability", title="Traceability of drum", question="", group="Cable", order=0, shows=Shows.DRUM,
    layout=layout.content, register=callbacks.register,
)  # fmt: skip
