"""A revision on record keeps its content: a file that says otherwise is named with its key and remedy."""

import pytest

from monitor.contract.config.configuration import Configuration
from monitor.shell.restore import restore
from monitor.store.revisions import RevisionConflictError, refuse_conflicts
from tests.core.script import T0
from tests.shell.test_restore import with_line
from tests.shell.works import processor_at


def test_other_content_under_a_known_revision_of_a_line_and_a_lower_one_are_refused(place):
    """A4: with file, key and remedy."""
    processor = processor_at(place)
    restore(processor.writer, with_line(processor.configuration, revision=3), "core-1", lambda _: None)
    moved = with_line(processor.configuration, revision=3, settle_s=6.0)
    with pytest.raises(RevisionConflictError) as refused:
        refuse_conflicts(processor.writer.engine, moved, ["core-1", "core-2"])
    assert str(refused.value) == (
        "lines/core-1.toml: revision 3 is on record with other content (settle_s: 5 on record, 6 in the file): "
        "give it revision 4"
    )
    with pytest.raises(RevisionConflictError, match=r"lines/core-1.toml: revision 1 is lower than 3, .* put the file"):
        refuse_conflicts(processor.writer.engine, processor.configuration, ["core-1"])
    refuse_conflicts(processor.writer.engine, with_line(processor.configuration, revision=3), ["core-1"])


def test_other_content_under_a_known_revision_of_a_recipe_and_a_lower_one_are_refused(place):
    """A4: revision 3 to 1 was taken without a word."""
    processor = processor_at(place)
    recipe = processor.configuration.recipes["core-1g5"]

    def with_recipe(**update: object) -> Configuration:
        recipes = processor.configuration.recipes | {"core-1g5": recipe.model_copy(update=update)}
        return processor.configuration.model_copy(update={"recipes": recipes})

    processor.writer.keep_revisions(with_recipe(revision=3).recipes.values(), T0)
    with pytest.raises(RevisionConflictError) as refused:
        refuse_conflicts(processor.writer.engine, with_recipe(revision=3, title="Another"), [])
    assert str(refused.value) == (
        "recipes/core-1g5.toml: revision 3 is on record with other content "
        "(title: 'Silicone core 1.5 mm2' on record, 'Another' in the file): give it revision 4"
    )
    with pytest.raises(RevisionConflictError, match="revision 1 is lower than 3"):
        refuse_conflicts(processor.writer.engine, with_recipe(revision=1), [])
    refuse_conflicts(processor.writer.engine, with_recipe(revision=4, title="Another"), [])
