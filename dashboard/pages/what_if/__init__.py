"""The page Other settings."""

from dashboard.page import Page, Shows
from dashboard.pages.what_if import callbacks, layout

PAGE = Page(
    path="settings", title="Other settings", question="what would it do", group="Why", order=4, shows=Shows.WORKS,
    layout=layout.content, register=callbacks.register,
)  # fmt: skip
