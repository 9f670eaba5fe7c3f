"""The page Capability: numbers agree with the analysis, and what cannot be calculated is named."""

import pytest

from dashboard.pages.capability import layout as capability
from tests.dashboard.page_text import text_of


def test_a_diameter_has_charts_capability_faults_and_giveaway(context):
    parts = capability.answer(context, "core-1", "cold-gauge/diameter-x", "3", 0.05)
    text = text_of(parts)
    assert "independent values" in text
    assert "Cp, Pp" in text
    assert "per km" in text
    assert "kg/km" in text
    assert "EUR per year" in text


def test_an_oven_has_no_giveaway(context):
    text = text_of(capability.answer(context, "core-1", "oven-b/temperature", "3", 0.05))
    assert "Capability" in text
    assert "kg/km" not in text


@pytest.mark.parametrize("typed", [5.0, "5", "-0.1", "", "off centre"])
def test_c20_an_eccentricity_that_cannot_be_gives_no_money(context, typed):
    text = text_of(capability.answer(context, "core-1", "cold-gauge/diameter-x", "3", typed))
    assert "Eccentricity: expected" in text
    assert "a year" not in text


def test_too_few_metres_are_reported(context, record, monkeypatch):
    monkeypatch.setattr(record, "rows", lambda *_: {"line_metre": [24000.0], "cold-gauge/diameter-x": [3.58]})
    assert "Metres with data: 1;" in text_of(capability.answer(context, "core-1", "cold-gauge/diameter-x", "3", 0.05))
    monkeypatch.setattr(record, "drums", lambda *_: [])
    assert "No drum" in text_of(capability.answer(context, "core-1", "cold-gauge/diameter-x", "3", 0.05))


def test_streams_come_with_diameters_first(configuration):
    first = capability.streams(configuration.lines["core-1"])
    assert first[0]["value"].startswith(("hot-gauge", "cold-gauge"))
    assert capability._first(first) == "cold-gauge/diameter-x"


def test_spreads_and_run_rules_can_be_chosen(context):
    usual, other = (
        text_of(capability.answer(context, "core-1", "cold-gauge/diameter-x", "3", 0.05, spread, rules))
        for spread, rules in ((capability.RANGES, capability.NELSON), (capability.DEVIATIONS, capability.WESTERN))
    )
    assert "Ranges within subgroups" in usual
    assert "Nelson 1984" in usual
    assert "Standard deviations within subgroups" in other
    assert "Western Electric 1956" in other
