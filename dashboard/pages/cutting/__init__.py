"""The page Cutting."""

from dashboard.page import Page, Shows
from dashboard.pages.cutting import callbacks, layout

PAGE = Page(
    path="cutting", title="Cutting", question="How should these drums be cut?",
    group="Cable", order=2, shows=Shows.WORKS,
    layout=layout.content, register=callbacks.register,
)  # fmt: skip
