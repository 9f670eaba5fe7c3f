"""How things are written: values with units, local time with its zone."""

import ast
from collections import Counter
from pathlib import Path

import pytest

from dashboard.text import format

ROOT = Path(__file__).parents[3]
NOT_READ = {  # style sheets' percent, addresses, keys, fields to type in, and metrics: not numbers that people read
    "dashboard/web/api.py": 2,
    "dashboard/pages/drum/layout.py": 1,
    "dashboard/pages/traceability/layout.py": 2,
    "dashboard/components/chart.py": 1,
    "dashboard/components/number_field.py": 1,
    "dashboard/components/pathway.py": 9,
    "dashboard/components/ribbon.py": 3,
    "monitor/analysis/differences.py": 4,
    "monitor/evidence/whole_drum.py": 1,
}


@pytest.mark.parametrize(
    ("value", "unit", "output"),
    [
        (551.25, "degC", "551.2 \N{DEGREE SIGN}C"),
        (3.6549, "mm", "3.65 mm"),
        (-0.5, "mm", "\N{MINUS SIGN}0.50 mm"),
        (12345.0, "m", "12\N{NARROW NO-BREAK SPACE}345 m"),
        (3.0, "count", "3"),
        (None, "kV", format.NO_VALUE),
        (float("nan"), "kV", format.NO_VALUE),
    ],
)
def test_values_carry_their_unit(value, unit, output):
    assert format.quantity(value, unit) == output


def test_times_are_local_and_name_their_zone_on_both_sides_of_a_change():
    # 2025-10-26 01:00 UTC is the end of summer time in Europe (directive 2000/84/EC).
    change_ms = 1_761_440_400_000
    assert format.local(change_ms - 1000, "Europe/Stockholm") == "02:59:59 CEST"
    assert format.local(change_ms, "Europe/Stockholm") == "02:00:00 CET"
    assert format.local(change_ms, "Europe/Stockholm", day=True) == "2025-10-26 02:00:00 CET"


def test_spans_are_short():
    output = [format.span(s) for s in (0, 89, 120, 5399, 7500, None)]
    assert output == ["0 s", "89 s", "2 min", "1 h 30 min", "2 h 05 min", format.NO_VALUE]


def number_specs(path: Path) -> int:
    """How many numbers a module writes by a format of its own in f-strings."""
    specs = [
        "".join(str(part.value) for part in node.format_spec.values if isinstance(part, ast.Constant))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FormattedValue) and isinstance(node.format_spec, ast.JoinedStr)
    ]
    return sum(spec[-1:] in ("f", "g", "e", "%") or "," in spec for spec in specs)


def test_c22_numbers_that_people_read_are_written_in_one_place():
    folders = ("dashboard", "monitor/analysis", "monitor/evidence", "monitor/statistics")
    files = [p for base in folders for p in (ROOT / base).rglob("*.py")]
    found = Counter({str(p.relative_to(ROOT)): number_specs(p) for p in files})
    assert +found == NOT_READ, "use dashboard.text.format or monitor.contract.number_format"
