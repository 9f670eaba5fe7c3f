"""How things are said: values with units, local time with its zone, alarms as sentences with their response."""

from dataclasses import replace

import pytest

from dashboard import words
from monitor.contract.reading import AlarmRow

ROW = AlarmRow(
    "core-1", "x", 0, 0, "raised", "unacknowledged", "high", 1.0, None, "", None, "core-2g5", 1, "", "", None
)


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        (551.25, "degC", "551.2 \N{DEGREE SIGN}C"),
        (3.6549, "mm", "3.65 mm"),
        (-0.5, "mm", "\N{MINUS SIGN}0.50 mm"),
        (12345.0, "m", "12\N{NARROW NO-BREAK SPACE}345 m"),
        (3.0, "count", "3.00"),
        (None, "kV", words.NOTHING),
        (float("nan"), "kV", words.NOTHING),
    ],
)
def test_values_carry_their_unit(value, unit, said):
    assert words.quantity(value, unit) == said


def test_times_are_local_and_name_their_zone_on_both_sides_of_a_change():
    # 2025-10-26 01:00 UTC is the end of summer time in Europe (directive 2000/84/EC).
    change_ms = 1_761_440_400_000
    assert words.local(change_ms - 1000, "Europe/Stockholm") == "02:59:59 CEST"
    assert words.local(change_ms, "Europe/Stockholm") == "02:00:00 CET"
    assert words.local(change_ms, "Europe/Stockholm", day=True) == "2025-10-26 02:00:00 CET"


def test_spans_are_short():
    said = [words.span(s) for s in (0, 89, 120, 5399, 7500, None)]
    assert said == ["0 s", "89 s", "2 min", "1 h 30 min", "2 h 05 min", words.NOTHING]


@pytest.mark.parametrize(
    ("alarm", "limit", "unit", "title", "action"),
    [
        (
            "shock-oven/temperature/LO",
            525.0,
            "degC",
            "Shock oven temperature under 525.0 \N{DEGREE SIGN}C",
            "Compare with",
        ),
        ("cold-gauge/diameter-x/HIHI", 3.74, "mm", "Cold diameter x far over 3.74 mm", "Look at the die"),
        ("spark-electrode/voltage/missing", 3.0, "s", "Spark test voltage: no data", "Check the tester"),
        ("cold-gauge/diameter-y/stuck", 5.0, "s", "Cold diameter y: does not move", "Look at the air wipe"),
        ("spark-electrode/spark-fault/spark-fault", None, "count", "Spark fault", "The metre is on the drum map"),
        ("oven-a/dwell/long", 20.0, "s", "Dwell in oven A too long (over 20.0 s)", "Mark the metres"),
        ("shock-oven/dwell/short", 0.0, "s", "Dwell in shock oven too short (under 0.0 s)", "Slow the line"),
        ("line/counter/fault", None, "m", "Metre counter disagrees with the speed", "Look at the counter wheel"),
    ],
)
def test_every_kind_of_alarm_says_what_it_is_and_what_to_do(configuration, alarm, limit, unit, title, action):
    text = words.alarm_text(replace(ROW, alarm=alarm, limit=limit, unit=unit), configuration)
    assert text.title == title
    assert text.response is not None
    assert text.response.corrective_action.startswith(action)


def test_an_alarm_of_a_line_or_recipe_no_longer_known_is_still_named(configuration):
    assert words.alarm_text(replace(ROW, line="gone", alarm="a/b/HI"), configuration).title == "a/b/HI"
    gone = replace(ROW, alarm="head/pressure/HI", limit=190.0, unit="bar", recipe="gone")
    assert words.alarm_text(gone, configuration) == words.AlarmText("Head pressure over 190.0 bar", None)
