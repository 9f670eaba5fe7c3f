"""The caution is on every page."""

from dash import Dash

from dashboard.text.caution import CAUTION
from tests.dashboard.page_text import json_of


def test_the_caution_is_on_every_page_and_names_the_hazards(app: Dash) -> None:
    assert CAUTION in json_of(app.layout())
    for hazard in ("interlock", "ovens", "voltage", "moving machinery"):
        assert hazard in CAUTION
