"""The browser's pure functions run under Node's own test runner; geometry is compared with the Python side."""

import json
import os
import shutil
import subprocess
from pathlib import Path

from dashboard.queries.ribbon import place_percent

PLACES = [(0, 10, 100), (-5, 3, 100), (90, 130, 100), (33.3, 33.4, 4000), (0, 0, 1), (120, 130, 100)]


def test_staleness_and_ribbon_in_the_browser():
    node = shutil.which("node")
    assert node, "node is needed to test the browser's functions: install the package nodejs"
    cases = [{"start": a, "end": b, "full": full, "place": place_percent(a, b, full)} for a, b, full in PLACES]
    done = subprocess.run(
        [node, "--test", str(Path(__file__).with_name("age.test.js"))],
        env={**os.environ, "PLACES": json.dumps(cases)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-4000:]
