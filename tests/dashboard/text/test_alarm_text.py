"""Alarms as sentences with their response."""

from dataclasses import replace

import pytest

from dashboard.text import alarm_text
from monitor.contract.reading import AlarmRow

ROW = AlarmRow(
    line="core-1",
    alarm="x",
    occurrence_ms=0,
    t_ms=0,
    event="raised",
    state="unacknowledged",
    priority="high",
    value=1.0,
    limit=None,
    unit="",
    line_metre=None,
    recipe="core-2g5",
    revision=1,
    by="",
    reason="",
    until_ms=None,
)


@pytest.mark.parametrize(
    ("alarm", "limit", "unit", "title", "action"),
    [
        (
            "shock-oven/temperature/LO",
            525.0,
            "degC",
            "Shock oven temperature low (limit 525 \N{DEGREE SIGN}C)",
            "Compare with",
        ),
        ("cold-gauge/diameter-x/HIHI", 3.74, "mm", "Cold diameter x high-high (limit 3.74 mm)", "Check the die"),
        ("spark-electrode/voltage/missing", 3.0, "s", "Spark test voltage: no data", "Check the tester"),
        ("cold-gauge/diameter-y/stuck", 5.0, "s", "Cold diameter y: reading frozen", "Inspect the air wipe"),
        ("spark-electrode/spark-fault/spark-fault", None, "count", "Spark fault", "The position is on the fault map"),
        ("oven-a/dwell/long", 20.0, "s", "Dwell in oven A too long (above 20 s)", "Mark the affected length"),
        ("shock-oven/dwell/short", 0.0, "s", "Dwell in shock oven too short (below 0 s)", "Reduce line speed"),
        ("line/counter/fault", None, "m", "Metre counter and line speed disagree", "Inspect the counter wheel"),
    ],
)
def test_every_kind_of_alarm_says_what_it_is_and_what_to_do(configuration, alarm, limit, unit, title, action):
    text = alarm_text.text_of(replace(ROW, alarm=alarm, limit=limit, unit=unit), configuration)
    assert text.title == title
    assert text.response is not None
    assert text.response.corrective_action.startswith(action)


def test_an_alarm_of_a_line_or_recipe_no_longer_known_is_still_named(configuration):
    assert alarm_text.text_of(replace(ROW, line="gone", alarm="a/b/HI"), configuration).title == "a/b/HI"
    gone = replace(ROW, alarm="head/pressure/HI", limit=190.0, unit="bar", recipe="gone")
    assert alarm_text.text_of(gone, configuration) == alarm_text.AlarmText("Head pressure high (limit 190 bar)", None)
