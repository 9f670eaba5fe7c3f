"""Golden snapshots: for each version of the layout its description and a state with its configuration.

`.venv/bin/python -m tests.core.snapshots` writes those of the present version where they are missing; those of older
versions are never written again.
"""

import gzip
import json
from pathlib import Path
from typing import Any

from monitor.core import snapshot
from monitor.core.pipeline import Pipeline

FOLDER = Path(__file__).parents[1] / "data" / "snapshot"
MESSAGES = 1300


def description(version: int) -> Path:
    """Where the layout of a version is described."""
    return FOLDER / f"layout-{version}.txt"


def kept() -> list[Path]:
    """Folders of golden states, oldest version first."""
    return sorted((p for p in FOLDER.glob("version-*") if p.is_dir()), key=lambda p: int(p.name.split("-")[1]))


def facts(engine: Pipeline) -> dict[str, Any]:
    """What must be the same once a golden state was read, whatever else has changed since it was written."""
    alarms = {name: a.state.value for name, a in engine.book.alarms.items() if a.state.value != "normal"}
    return {
        "line_metre": engine.track.now_m,
        "newest_s": engine.newest_s,
        "next_row": engine.rows.next_m,
        "drum": engine.drums.on.drum if engine.drums.on else None,
        "drum_start_m": engine.drums.on.start_m if engine.drums.on else None,
        "recipe": [engine.recipe.recipe, engine.recipe.revision] if engine.recipe else None,
        "alarms": alarms,
        "proposals": {name: p.state for name, p in engine.revisions.proposals.items()},
    }


def main() -> None:
    """Write what is missing of the present version."""
    from tests.core.script import pipeline
    from tests.core.test_pipeline import unkind_script

    FOLDER.mkdir(parents=True, exist_ok=True)
    description(snapshot.VERSION).write_text(snapshot.describe())
    folder = FOLDER / f"version-{snapshot.VERSION}"
    if folder.exists():
        return
    folder.mkdir(parents=True)
    engine = pipeline()
    engine.feed(unkind_script()[:MESSAGES])
    recipes = [json.loads(r.model_dump_json(exclude_defaults=True)) for r in engine.revisions.earlier.values()]
    (folder / "line.json").write_text(engine.line.model_dump_json(exclude_defaults=True))
    (folder / "recipes.json").write_text(json.dumps(recipes))
    (folder / "state.gz").write_bytes(gzip.compress(snapshot.dump(engine), mtime=0))
    (folder / "facts.json").write_text(json.dumps(facts(engine), indent=1) + "\n")


if __name__ == "__main__":
    main()
