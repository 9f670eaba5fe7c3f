"""What a recipe may contain."""

import pytest

from tests.analysis.recipes import of_cores


@pytest.mark.parametrize(
    ("cores", "layers", "why"),
    [
        (8, None, "Input should be 2, 3, 4, 5, 6, 7, 12 or 19"),
        (7, None, "7 cores: `layers` must list 1, 6 pay-offs"),
        (7, [["a", "b"], ["c", "d", "e", "f", "g"]], "7 cores: `layers` must list 1, 6 pay-offs"),
        (7, [["a"], ["a", "c", "d", "e", "f", "g"]], "layers 'a' occurs more than once"),
        (3, [["a", "b", "c"]], "3 cores lie in one layer"),
    ],
)
def test_a_recipe_says_how_its_cores_lie(cores, layers, why):
    """C18."""
    with pytest.raises(ValueError, match=why):
        of_cores(cores, layers)
