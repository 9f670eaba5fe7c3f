"""All of a works' configuration, each file valid and all of them consistent."""

from monitor.contract.config.base import Settings
from monitor.contract.config.line import Line
from monitor.contract.config.orders import Orders
from monitor.contract.config.recipe import Recipe
from monitor.contract.config.works import Works


class Configuration(Settings):
    """All of a works' configuration, each file valid and all of them consistent."""

    works: Works
    lines: dict[str, Line]
    recipes: dict[str, Recipe]
    orders: Orders = Orders()

    def recipes_for(self, line: str) -> dict[str, Recipe]:
        """Recipes that can run on a line."""
        kind = self.lines[line].kind
        return {name: recipe for name, recipe in self.recipes.items() if recipe.line_kind == kind}
