"""The page Alarm load."""

from dashboard.page import Page, Shows
from dashboard.pages.alarm_load import callbacks, layout

PAGE = Page(
    path="load", title="Alarm load", question="how much is asked", group="Why", order=6, shows=Shows.WORKS,
    layout=layout.content, register=callbacks.register,
)  # fmt: skip
