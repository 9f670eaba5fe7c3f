"""Which recipe is in force on a line: decided here, for the monitor, the pages and a rehearsal."""

from collections.abc import Iterable, Mapping

from monitor.contract.config.recipe import Recipe

Came = tuple[int, Recipe]  # UTC ms at which a recipe came into force on a line while it ran, and the recipe


def recipes_in_force(
    files: Mapping[str, Recipe], kept: Iterable[Recipe], came: Iterable[Came], at_ms: int | None = None
) -> dict[str, Recipe]:
    """Recipes in force on a line by name, at a time (UTC ms) or now.

    `files` are the line's own of the configuration, `kept` those of files that the record has, `came` what came into
    force on the line since. A file that the monitor has not taken yet is not in force, except where the record knows
    nothing of its recipe.
    """
    kept, came = list(kept), list(came)
    return {name: _of(file, kept, came, at_ms) for name, file in files.items()}


def _of(file: Recipe, kept: list[Recipe], came: list[Came], at_ms: int | None) -> Recipe:
    mine = sorted((c for c in came if c[1].recipe == file.recipe), key=lambda c: (c[0], c[1].revision))
    by_then = [recipe for t_ms, recipe in mine if at_ms is None or t_ms <= at_ms]
    if by_then:
        return by_then[-1]
    from_files = [r for r in kept if r.recipe == file.recipe and (not mine or r.revision < mine[0][1].revision)]
    return max(from_files, key=lambda r: r.revision, default=file)
