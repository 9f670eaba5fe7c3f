"""The page Alarms."""

from dashboard.page import Page, Shows
from dashboard.pages.alarms import layout
from dashboard.pages.alarms.callbacks import CALLBACKS

PAGE = Page(
    path="alarms", title="Alarms", question="Which alarms are unacknowledged?", group="Now", order=2, shows=Shows.WORKS,
    layout=layout.content, callbacks=CALLBACKS,
)  # fmt: skip
