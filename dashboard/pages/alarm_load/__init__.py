"""The page Alarm load."""

from dashboard.page import Page, Shows
from dashboard.pages.alarm_load import layout
from dashboard.pages.alarm_load.callbacks import CALLBACKS

PAGE = Page(
    path="alarm-load", title="Alarm load", question="How many alarms does each operator get?",
    group="Why", order=6, shows=Shows.WORKS,
    layout=layout.content, callbacks=CALLBACKS,
)  # fmt: skip
