"""What a part imports before it does anything: forty monitors start in the tests by killing, and each one pays."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

HEAVY = {"dash", "duckdb", "flask", "iotcore", "numba", "pandas", "plotly", "pyarrow.dataset", "reportlab", "scipy"}
IMPORTED = "import json, sys, {module}; json.dump(sorted(sys.modules), sys.stdout)"


def imported_by(module: str) -> set[str]:
    words = [sys.executable, "-c", IMPORTED.format(module=module)]
    return set(json.loads(subprocess.run(words, capture_output=True, check=True, cwd=Path(__file__).parents[1]).stdout))


@pytest.mark.parametrize("module", ["monitor.shell.service", "monitor.shell.reader", "monitor.core.engine"])
def test_a_monitor_starts_without_what_others_need(module):
    assert imported_by(module) & HEAVY == set()
