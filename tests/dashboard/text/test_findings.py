"""Findings in words: what was found, by how much, and by whom."""

from typing import Any

import pytest

from dashboard.text.findings import sentence
from monitor.contract.config.configuration import Configuration
from monitor.contract.record import FindingKind
from tests.core import script

CURE = {"extreme": 0.42, "limit": 1.0}
GAUGE = {"stream": "cold-gauge/diameter-x", "extreme": 3.71, "limit": 3.66, "unit": "mm"}


@pytest.mark.parametrize(
    ("kind", "of", "words"),
    [
        ("cure", {"stream": "cure/index-inner", "check": "undercured", **CURE}, "cure index below 1 (worst 0.42)"),
        ("cure", {"stream": "cure/forecast", "check": "undercured",
         "text": "forecast while the line is stopped", **CURE},
         "Forecast: will be undercured (worst 0.42), forecast while the line is stopped"),
        ("mark", {"by": "Mira", "reason": "scraped"}, "Marked by Mira: scraped"),
        ("window", {"check": "HI", **GAUGE}, "high: 3.71 mm (limit 3.66 mm)"),
        ("dwell", {"stream": "oven-a/dwell", "check": "long", "extreme": 22.0, "limit": 20.0, "unit": "s"},
         "Dwell in oven A too long: 22.0 s (limit 20.0 s)"),
        ("missing", {"stream": "cold-gauge/diameter-x", "check": "missing"}, "Cold diameter x: no data"),
        ("resistance", {"extreme": 7.2, "unit": "ohm/km", "by": "Mira"}, "Conductor resistance 7.20 ohm/km"),
        ("inherited", {"text": "of C1-2, its metre 3.0 to 4.0"}, "Inherited of C1-2, its metre 3.0 to 4.0"),
    ],
)  # fmt: skip
def test_each_kind_of_finding_has_words(
    configuration: Configuration, kind: str, of: dict[str, Any], words: str
) -> None:
    assert words in sentence(script.finding(10.0, 20.0, FindingKind(kind), **of), configuration.lines["core-1"])
