"""The page Cutting."""

from dashboard.page import Page, Shows
from dashboard.pages.cutting import callbacks, layout

PAGE = Page(
    path="cut", title="Cutting", question="how do I cut this", group="Cable", order=2, shows=Shows.WORKS,
    layout=layout.content, register=callbacks.register,
)  # fmt: skip
