"""Limits of a recipe by key: each can be read, changed and taken back, and what is unsound is refused."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.config.limits import (
    LimitsError,
    beyond_instruments,
    differences,
    limits_of,
    same_person,
    with_limits,
)
from tests.core.script import configuration

C = configuration()
RECIPE = C.recipes["core-2g5"]
SET = {key: value for key, value in limits_of(RECIPE).items() if value}


@given(keys=st.sets(st.sampled_from(sorted(SET)), min_size=1, max_size=8), share=st.floats(1e-6, 1e-4))
def test_what_was_changed_is_what_differs_and_goes_back(keys, share):
    changes = {key: SET[key] * (1 + share) for key in keys}
    changed = with_limits(RECIPE, changes, 7)
    assert changed.revision == 7
    assert differences(RECIPE, changed) == {key: (SET[key], value) for key, value in changes.items()}
    assert with_limits(changed, {key: SET[key] for key in keys}, RECIPE.revision) == RECIPE


def test_an_unknown_key_names_its_neighbour():
    with pytest.raises(LimitsError, match="did you mean 'window/cold-gauge/diameter-x/hihi'"):
        with_limits(RECIPE, {"window/cold-gauge/diameter-x/hihii": 1.0})


def test_an_unsound_recipe_is_refused_with_every_fault():
    with pytest.raises(LimitsError, match=r"core-2g5 would not be valid: .*rise from lolo to hihi"):
        with_limits(RECIPE, {"window/cold-gauge/diameter-x/hi": 0.0})


def test_a_limit_that_no_instrument_can_show_is_named():
    line = C.lines["core-1"]
    assert beyond_instruments(RECIPE, line) == {}
    key = "window/oven-b/temperature/hihi"
    low, high = line.streams["oven-b/temperature"].measuring_range
    found = beyond_instruments(with_limits(RECIPE, {key: high + 1}), line)
    assert list(found) == [key]
    assert f"{low:g} to {high:g}" in found[key]
    assert beyond_instruments(with_limits(RECIPE, {key: high}), line) == {}


@pytest.mark.parametrize(
    ("a", "b", "same"), [("Mira", " mira ", True), ("Mira  Holm", "mira holm", True), ("Mira", "Mara", False)]
)
def test_case_and_spaces_make_no_second_person(a, b, same):
    assert same_person(a, b) is same
