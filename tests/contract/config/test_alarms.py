"""Alarms by name: those that the engine defines are those that the files say."""

from monitor.contract.config.alarms import NOT_IN_FILES, alarms_of
from monitor.core.pipeline import Pipeline
from tests.core.script import configuration


def test_the_alarms_of_files_are_those_that_the_engine_defines():
    c = configuration()
    for name, line in c.lines.items():
        recipes = c.recipes_for(name)
        pipeline = Pipeline(line=line, recipes=recipes)
        pipeline.track.begin(0.0, 1000.0)
        for recipe in recipes.values():
            pipeline.judge_by(recipe, 0.0, 1000.0, [])
        defined = {a for a in pipeline.book.alarms if a.partition("/")[0] not in NOT_IN_FILES}
        assert alarms_of(line, recipes.values()) == defined, name
