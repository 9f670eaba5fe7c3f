"""What a file contains: its digest does not see order or defaults, and where two differ is named by key."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.config.content import differences_of, digest_of
from monitor.contract.config.limits import limits_of, with_limits
from monitor.contract.config.line import Line
from monitor.contract.config.load import load
from monitor.contract.config.recipe import Recipe
from tests.core.script import CONFIGS, configuration

REVISIONS = Path(__file__).parents[2] / "data" / "revisions.txt"  # a line is added, none is ever changed
RECIPE = load(CONFIGS).recipes["core-2g5"]
TEXT = (CONFIGS / "recipes" / "core-2g5.toml").read_text()


def known_revisions() -> dict[tuple[str, int], str]:
    """Digest of the content by file and revision."""
    lines = [line.split() for line in REVISIONS.read_text().splitlines()]
    known = {(file, int(revision)): digest for file, revision, digest in lines}
    assert len(known) == len(lines)
    return known


def test_a_revision_of_a_file_of_the_demo_has_one_content():
    """A9: a monitor of a newer version would else refuse to start on the record of an older one."""
    c, known = load(CONFIGS), known_revisions()
    files: dict[str, Recipe | Line] = {f"recipes/{name}.toml": recipe for name, recipe in c.recipes.items()}
    files |= {f"lines/{name}.toml": line for name, line in c.lines.items()}
    for name, file in files.items():
        digest = digest_of(file)
        one = known.get((name, file.revision))
        assert one is not None, f"add a line to {REVISIONS.name}: {name} {file.revision} {digest}"
        assert one == digest, f"{name} has other content than its revision {file.revision}: give it the next revision"
        assert file.revision == max(revision for known_name, revision in known if known_name == name)


def shuffled(form: object) -> object:
    """The same content with every table's keys in the other order."""
    if isinstance(form, dict):
        return {key: shuffled(form[key]) for key in reversed(form)}
    return [shuffled(x) for x in form] if isinstance(form, list) else form


def test_order_of_keys_comments_and_defaults_are_no_content():
    other = Recipe.model_validate(shuffled(tomllib.loads("# a comment\n" + TEXT)))
    assert digest_of(other) == digest_of(RECIPE)
    assert digest_of(Recipe.model_validate(RECIPE.model_dump())) == digest_of(RECIPE)
    assert differences_of(RECIPE, other) == {}


@given(st.sampled_from([key for key, value in limits_of(RECIPE).items() if value]), st.floats(1e-6, 1e-3))
def test_any_limit_changes_the_digest_and_is_named_alone(key, share):
    before = limits_of(RECIPE)[key]
    changed = with_limits(RECIPE, {key: before * (1 + share)})
    assert digest_of(changed) != digest_of(RECIPE)
    assert differences_of(RECIPE, changed) == {key: (before, before * (1 + share))}


def test_entries_of_lists_are_named_by_what_they_are():
    line = configuration().lines["core-1"]
    moved = line.model_copy(
        update={
            "station": [s.model_copy(update={"position_m": s.position_m + 1.0}) for s in line.station[:1]]
            + line.station[1:]
        }
    )
    (key,) = differences_of(line, moved)
    assert key == f"station/{line.station[0].name}/position_m"


def test_a_key_that_is_taken_out_is_none():
    window = next(w for w in RECIPE.window if w.hihi is not None)
    without = with_limits(RECIPE, {f"window/{window.stream}/hihi": None})
    assert differences_of(RECIPE, without) == {f"window/{window.stream}/hihi": (window.hihi, None)}


@pytest.mark.parametrize("name", sorted(configuration().recipes))
def test_no_two_recipes_of_the_demo_have_one_digest(name):
    digests = {n: digest_of(r) for n, r in configuration().recipes.items()}
    assert sum(d == digests[name] for d in digests.values()) == 1
