"""Alarms that a line can raise, by name: `station/quantity/check`."""

from collections.abc import Iterable, Iterator

from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe

# Stations of alarms that no stream of the line's file carries: cable as it leaves, the line as a whole, the monitor.
NOT_IN_FILES = ("cure", "cooling", "line", "monitor")


def alarms_of(line: Line, recipes: Iterable[Recipe]) -> set[str]:
    """Alarms that follow from a line's file and these recipes; those of `NOT_IN_FILES` are not among them."""
    found = {f"{s.path}/missing" for s in line.stream if s.missing_after_s}
    found |= {f"{s.path}/stuck" for s in line.stream if s.stuck_after_s}
    return found.union(*map(_of_recipe, recipes))


def _of_recipe(recipe: Recipe) -> Iterator[str]:
    for window in recipe.window:
        yield from (f"{window.stream}/{name}" for name in window.limits)
    yield from (f"{check.stream}/{check.name}" for check in recipe.event_check)
    for dwell in recipe.dwell:
        sides = (("short", dwell.min_s), ("long", dwell.max_s))
        yield from (f"{dwell.zone}/dwell/{side}" for side, at in sides if at is not None)
