"""A monitor whose files contradict the record does not start: its process names file, key and what to do."""

from pathlib import Path

import pytest

from tests.shell.brokers import ended, everymetre
from tests.store.test_lease import in_words, monitor

FILES = {"lines/core-1.toml": "settle_s = 5.0", "recipes/core-1g5.toml": "wall_mm = 0.8"}


def written(path: Path, **values: str) -> None:
    """Set keys of a file that stand at the beginning of a line."""
    lines = path.read_text().splitlines()
    for key, value in values.items():
        at = next(i for i, line in enumerate(lines) if line.startswith(f"{key} = "))
        lines[at] = f"{key} = {value}"
    path.write_text("\n".join(lines) + "\n")


def start(configs: Path) -> tuple[int, str]:
    words = everymetre("monitor", "--configs", str(configs), "--lines", "core-1")
    done = ended(words, within_s=60)
    return done.returncode, done.stderr


@pytest.mark.parametrize("name", FILES)
def test_other_content_under_a_known_revision_and_a_lower_one_end_the_process_with_2(place, name):
    """A4: a restart with the edited file was silent."""
    configs, _ = in_words(place)
    file, key = configs / name, FILES[name].partition(" ")[0]
    written(file, revision="3")
    first = monitor(configs, place, "first")
    try:
        first.start()
    finally:
        first.close()
    before = file.read_text()
    written(file, **{key: "6.0" if key == "settle_s" else "0.9"})
    code, output = start(configs)
    assert code == 2
    assert f"{name}: revision 3 is on record with other content" in output
    assert key in output
    assert "give it revision 4" in output
    file.write_text(before)
    written(file, revision="2")
    code, output = start(configs)
    assert code == 2
    assert f"{name}: revision 2 is lower than 3" in output
    assert "put the file of revision 3 back" in output
    assert "Traceback" not in output
