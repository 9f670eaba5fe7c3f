"""Recipes that tests of laying up need."""

from monitor.contract.config.recipe import LayingUp, Recipe
from tests.core.script import configuration


def of_cores(cores: int, layers: list[list[str]] | None = None) -> Recipe:
    recipe = configuration().recipes["laid-2x2g5"]
    up = LayingUp(cores=cores, core_diameter_mm=3.58, lay_mm=80.0, layers=layers or [])
    return recipe.model_copy(update={"laying_up": up})
