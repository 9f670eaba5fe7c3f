"""The browser's scripts run under Node's own test runner; geometry is compared with the Python side."""

import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from dashboard.queries.ribbon import place_percent

HERE = Path(__file__).parent
PLACES = [(0, 10, 100), (-5, 3, 100), (90, 130, 100), (33.3, 33.4, 4000), (0, 0, 1), (120, 130, 100)]


@pytest.mark.parametrize("file", sorted(path.name for path in HERE.glob("*.test.js")))
def test_scripts_in_the_browser(file):
    node = shutil.which("node")
    assert node, "node is needed to test the browser's functions: install the package nodejs"
    cases = [{"start": a, "end": b, "full": full, "place": place_percent(a, b, full)} for a, b, full in PLACES]
    done = subprocess.run(
        [node, "--test", str(HERE / file)],
        env={**os.environ, "PLACES": json.dumps(cases)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-4000:]
