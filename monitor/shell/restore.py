"""An engine that goes on where it was: its last checkpoint, then the messages that came after it."""

from collections.abc import Callable

from monitor.contract.config import Configuration, Recipe
from monitor.contract.record import Output
from monitor.core.decode import Decoder
from monitor.core.pipeline import Pipeline
from monitor.core.snapshot import Given, SnapshotError, load
from monitor.shell.history import again
from monitor.shell.store import Batch, Writer


def thaw(state: bytes, fresh: Pipeline, files: dict[str, Recipe]) -> Pipeline:
    """The engine of a checkpoint, with the configuration of a fresh one.

    Raises SnapshotError where it cannot be used, also where a file is newer than what it knows.
    """
    pipeline = load(state, Given(fresh.line, fresh.revisions.earlier))
    if any(name not in pipeline.recipes or pipeline.recipes[name].revision < r.revision for name, r in files.items()):
        raise SnapshotError("a recipe's file has a newer revision")
    return pipeline


class RecipeConflictError(ValueError):
    """A recipe's file and the record disagree on one revision; the text says what to do."""


def begin(writer: Writer, configuration: Configuration, line: str) -> Pipeline:
    """An engine with the recipes in force: of the file's and those that came into force since, the newest revision.

    Raises RecipeConflictError where the file says something else under a revision that is on record.
    """
    files = configuration.recipes_for(line)
    came = writer.came_into_force(line)
    for recipe in came:
        file = files.get(recipe.recipe)
        if file is not None and file.revision == recipe.revision and file != recipe:
            raise RecipeConflictError(
                f"recipes/{file.recipe}.toml: revision {file.revision} is another on record for line {line}, put in "
                f"force on the pages. Give the file a revision greater than {_newest(came, file.recipe)}."
            )
    in_force = dict(files)
    for recipe in came:
        if recipe.recipe in files and recipe.revision >= in_force[recipe.recipe].revision:
            in_force[recipe.recipe] = recipe
    earlier = {(r.recipe, r.revision): r for r in [*files.values(), *came]}
    return Pipeline(configuration.lines[line], in_force, earlier)


def _newest(recipes: list[Recipe], name: str) -> int:
    return max(r.revision for r in recipes if r.recipe == name)


def restore(writer: Writer, configuration: Configuration, line: str, say: Callable[[str], None]) -> Pipeline:
    """The engine of a line as it was at the last commit. What it tells on the way is stored once more, to no effect."""
    last, state = writer.checkpoints().get(line, (0, None))
    pipeline = begin(writer, configuration, line)
    try:
        pipeline = thaw(state, pipeline, configuration.recipes_for(line)) if state else pipeline
    except SnapshotError as error:
        say(f"{line}: the last checkpoint cannot be used ({error}); reading the messages held anew")
        last = 0
    works = configuration.works
    decoder = Decoder(works.works, configuration.lines, works.wire)
    count = 0
    while rows := writer.messages_after(line, last):
        said = (again(decoder, stream, received_ms, payload) for _, stream, received_ms, payload in rows)
        messages = [m for m in said if m is not None]
        outputs: list[Output] = pipeline.feed(messages)
        writer.write(Batch(outputs=outputs))
        last, count = rows[-1][0], count + len(rows)
    if count or state:
        say(f"{line}: goes on at line metre {pipeline.track.now_m:.1f}, {count} messages read after the checkpoint")
    return pipeline
