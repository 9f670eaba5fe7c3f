"""A works' configuration as one: a line runs the recipes of its kind."""

from tests.core.script import configuration


def test_a_line_runs_the_recipes_of_its_kind_and_no_other():
    c = configuration()
    for name, line in c.lines.items():
        found = c.recipes_for(name)
        assert found
        assert {r.line_kind for r in found.values()} == {line.kind}
        assert set(found) == {n for n, r in c.recipes.items() if r.line_kind == line.kind}
