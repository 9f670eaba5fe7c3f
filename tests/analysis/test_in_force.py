"""One answer to the question which recipe is in force: A15."""

import pytest

from monitor.analysis.in_force import recipes_in_force
from monitor.contract.config.recipe import Recipe
from tests.core.script import configuration

RECIPE = configuration().recipes["core-2g5"]
FILES = {"core-2g5": RECIPE}


def revision(n: int) -> Recipe:
    return RECIPE.model_copy(update={"revision": n})


@pytest.mark.parametrize(
    ("file", "kept", "came", "at_ms", "wanted"),
    [
        (1, [], [], None, 1),  # nothing on record: the file
        (1, [1], [], None, 1),
        (3, [], [(10, 2)], None, 2),  # A15: the monitor has not taken the file yet
        (3, [1], [], None, 1),
        (3, [1, 3], [(10, 2), (20, 3)], None, 3),
        (1, [1], [(10, 2), (20, 3), (30, 4)], None, 4),
        (1, [1], [(10, 2), (20, 3)], 15, 2),
        (1, [1], [(10, 2)], 9, 1),
        (3, [1, 3], [(10, 2), (20, 3)], 9, 1),  # the file's own revision then, not the one it has now
        (3, [1, 2, 3], [(20, 3)], 9, 2),
        (1, [1], [(10, 2), (10, 3)], None, 3),  # two in one ms: the greater number
    ],
)
def test_the_recipe_in_force(file, kept, came, at_ms, wanted):
    found = recipes_in_force(
        {"core-2g5": revision(file)}, map(revision, kept), [(t, revision(n)) for t, n in came], at_ms
    )
    assert found["core-2g5"].revision == wanted


def test_recipes_without_a_file_of_this_line_are_left_out():
    other = configuration().recipes["core-1g5"]
    assert recipes_in_force(FILES, [other], [(1, other)]) == FILES
