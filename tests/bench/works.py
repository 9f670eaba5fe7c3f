"""A large works for benches: any number of lines of any number of streams, in a folder of its own."""

import tomllib
from pathlib import Path
from typing import Any

CONFIGS = Path(__file__).parents[2] / "configs"

AUX_STREAM = """
[[stream]]
station = "{station}"
quantity = "aux-{i}"
unit = "degC"
interval_s = 1.0
"""
AUX_WINDOW = """
[[window]]
stream = "{station}/aux-{i}"
unit = "degC"
states = ["running", "ramping", "stopped"]
hi = 100.0
deadband = 1.0

[window.high]
cause = "Bench."
consequence = "Bench."
corrective_action = "Bench."
time_to_respond_s = 60
"""


def write(folder: Path, lines: int, streams: int, port: int = 0, page_port: int = 0) -> list[str]:
    """Configuration with that many lines; returns their names. Streams beyond those of core-1 are auxiliary."""
    text = (CONFIGS / "lines" / "core-1.toml").read_text()
    recipe = (CONFIGS / "recipes" / "core-2g5.toml").read_text()
    count = max(0, streams - len(tomllib.loads(text)["stream"]))
    stations = ["take-up", "capstan", "dancer", "chalk-unit"]
    for i in range(count):
        text += AUX_STREAM.format(station=stations[i % 4], i=i)
        recipe += AUX_WINDOW.format(station=stations[i % 4], i=i)
    names = [f"line-{i + 1}" for i in range(lines)]
    (folder / "lines").mkdir(parents=True)
    (folder / "recipes").mkdir()
    for name in names:
        (folder / "lines" / f"{name}.toml").write_text(text.replace('line = "core-1"', f'line = "{name}"'))
    (folder / "recipes" / "core-2g5.toml").write_text(recipe)
    works = (
        (CONFIGS / "works.toml")
        .read_text()
        .replace("18831", str(port or 18831))
        .replace("18850", str(page_port or 18850))
    )
    (folder / "works.toml").write_text(works)
    return names


def aux(folder: Path, line: str) -> list[str]:
    """Paths of the auxiliary streams of a line."""
    read: dict[str, Any] = tomllib.loads((folder / "lines" / f"{line}.toml").read_text())
    return [f"{s['station']}/{s['quantity']}" for s in read["stream"] if s["quantity"].startswith("aux-")]
