"""The page Alarm load."""

from dashboard.page import Page, Shows
from dashboard.pages.alarm_load import callbacks, layout

PAGE = Page(
    path="alarm-load", title="Alarm load", question="How many alarms does each operator get?",
    group="Why", order=6, shows=Shows.WORKS,
    layout=layout.content, register=callbacks.register,
)  # fmt: skip
