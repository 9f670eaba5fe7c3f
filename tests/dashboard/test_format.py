"""How things are written: values with units, local time with its zone."""

import pytest

from dashboard import format


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        (551.25, "degC", "551.2 \N{DEGREE SIGN}C"),
        (3.6549, "mm", "3.65 mm"),
        (-0.5, "mm", "\N{MINUS SIGN}0.50 mm"),
        (12345.0, "m", "12\N{NARROW NO-BREAK SPACE}345 m"),
        (3.0, "count", "3.00"),
        (None, "kV", format.NOTHING),
        (float("nan"), "kV", format.NOTHING),
    ],
)
def test_values_carry_their_unit(value, unit, said):
    assert format.quantity(value, unit) == said


def test_times_are_local_and_name_their_zone_on_both_sides_of_a_change():
    # 2025-10-26 01:00 UTC is the end of summer time in Europe (directive 2000/84/EC).
    change_ms = 1_761_440_400_000
    assert format.local(change_ms - 1000, "Europe/Stockholm") == "02:59:59 CEST"
    assert format.local(change_ms, "Europe/Stockholm") == "02:00:00 CET"
    assert format.local(change_ms, "Europe/Stockholm", day=True) == "2025-10-26 02:00:00 CET"


def test_spans_are_short():
    said = [format.span(s) for s in (0, 89, 120, 5399, 7500, None)]
    assert said == ["0 s", "89 s", "2 min", "1 h 30 min", "2 h 05 min", format.NOTHING]
