"""A3: a line whose monitor starts without a snapshot while no drum is on goes on as it was."""

from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import delete

from monitor.contract.config.configuration import Configuration
from monitor.shell.compare_stores import StoreComparison, compare
from monitor.shell.processor import Processor
from monitor.store.schema import CHECKPOINT
from tests.core.script import T0, Script
from tests.shell.test_restart_law import configured, present, record_of, run, started
from tests.shell.works import settings_at

LINES = {"core-1": "core-2g5", "lay-1": "laid-2x2g5"}
OTHER = {"core-1": "core-1g5", "lay-1": "laid-2x2g5"}


def script_of(line: str, recipe: str | None) -> Script:
    """A drum, then none for minutes (which may name a recipe), then another drum."""
    script = Script()
    script.line = line
    script.send("line/state", T0, state="running")
    script.send("take-up/drum", T0 + 10, drum="A", recipe=LINES[line])
    more: dict[str, Any] = {"recipe": recipe} if recipe else {}
    script.send("take-up/drum", T0 + 150, drum=None, **more)
    for i in range(400):
        script.send_samples("metre-counter/length", T0 + i, 5000.0 + 3.5 * i)
        script.send_samples("metre-counter/speed", T0 + i, 210.0)
        if line == "core-1":
            for oven in ("shock-oven", "oven-a", "oven-b"):
                script.send_samples(f"{oven}/temperature", T0 + i, 300.0)
    script.send("take-up/drum", T0 + 350, drum="B", recipe=recipe or LINES[line])
    script.send("take-up/drum", T0 + 370, drum="C", recipe=LINES[line])
    return script


@pytest.fixture
def folders(tmp_path: Path) -> tuple[Path, Path]:
    for name in ("restarted", "undisturbed"):
        (tmp_path / name).mkdir()
    return tmp_path / "restarted", tmp_path / "undisturbed"


@pytest.mark.parametrize("line", LINES)
@pytest.mark.parametrize("named", ["no recipe", "the same", "another"])
def test_a_line_without_a_drum_is_rebuilt_with_its_recipe(folders, line, named):
    recipe = {"no recipe": None, "the same": LINES[line], "another": OTHER[line]}[named]
    arrivals = script_of(line, recipe).sorted()
    place, undisturbed = folders
    end = next(i for i, a in enumerate(arrivals) if a.received_s >= T0 + 250)
    whole = started(configured(undisturbed, line), line, [])
    run(whole, arrivals)
    whole.writer.write(whole.last_batch())
    processor = started(configured(place, line), line, [])
    run(processor, arrivals[:end])
    processor.writer.write(processor.last_batch())
    was, given_out = present(processor, line), record_of(place, line)
    assert was.drum is None
    again = restarted(processor, line)
    assert again.engine.pipelines[line].recipe == processor.engine.pipelines[line].recipe
    assert present(again, line) == was
    run(again, arrivals[end:], arrivals[end - 1].received_s)
    again.writer.write(again.last_batch())
    assert given_out
    stored, made = settings_at(place), settings_at(undisturbed)
    found = compare(StoreComparison(stored=stored, made=made, line=line, since_ms=0))
    assert [str(difference) for difference in found.differences] == []
    assert (found.rows > 500, len(found.digests)) == (True, 2)


@pytest.mark.parametrize("snapshot", [True, False])
@pytest.mark.parametrize("at_s", [100, 250])
def test_a_recipe_whose_file_is_gone_stays_for_the_drums_that_have_it(tmp_path, snapshot, at_s):
    """A4: with a snapshot and without, with the drum on and after it."""
    line = "core-1"
    arrivals = [a for a in script_of(line, None).sorted() if a.received_s < T0 + at_s]
    processor = started(configured(tmp_path, line), line, [])
    processor.writer.keep_revisions(processor.configuration.recipes.values(), T0)
    run(processor, arrivals)
    processor.writer.write(processor.last_batch())
    was, c = present(processor, line), processor.configuration
    gone = c.model_copy(update={"recipes": {n: r for n, r in c.recipes.items() if n != LINES[line]}})
    again = restarted(processor, line, gone, snapshot)
    assert present(again, line) == was
    assert was.recipe == (LINES[line], 1)


def restarted(
    processor: Processor, line: str, configuration: Configuration | None = None, snapshot: bool = False
) -> Processor:
    processor.writer.close()
    if snapshot:
        return started(configuration or processor.configuration, line, [])
    with processor.writer.engine.begin() as connection:
        connection.execute(delete(CHECKPOINT))
    return started(configuration or processor.configuration, line, [])
