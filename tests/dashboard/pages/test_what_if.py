"""The page What if: what is asked is calculated, or rejected with what to enter."""

from typing import Any

import pytest

from dashboard.context import Context
from dashboard.pages.what_if import layout as what_if

PLAIN = {
    "speed": 230.0, "shock-oven": 540.0, "oven-a": 290.0, "oven-b": 305.0, "film": 1.0,
    "stop": 60.0, "slows": 8.0, "restarts": 12.0, "at": 9.0, "reading": "",
}  # fmt: skip


def ask(context: Context, **other: Any) -> str:
    return str(what_if.answer(context, "core-1", "core-2g5", PLAIN | other))


@pytest.mark.parametrize(
    ("field", "typed", "says"),
    [
        ("oven-b", "-300", "expected 0 to 500"), ("oven-b", "596", "its instrument's range, got 596"),
        ("speed", "fast", "expected a number"), ("reading", "hot", "expected a number"),
    ],
)  # fmt: skip
def test_c20_what_cannot_be_is_not_computed(context, field, typed, says):
    assert says in ask(context, **{field: typed})


def test_the_set_values_give_the_recipes_own_index(context):
    assert "Steady state: cured. Cure index at the conductor 1.67" in ask(context)


def test_faster_and_colder_is_undercured(context):
    assert "Steady state: undercured" in ask(context, speed=245.0, **{"oven-b": 270.0})


def test_a_stop_says_its_scrap(context):
    assert "72 m of scrap: 62 m overheated, 10 m undercured" in ask(context)


def test_a_reading_calibrates_and_an_impossible_one_is_refused(context):
    assert "film coefficients times 1.366" in ask(context, reading=140.0)
    assert "look at emissivity" in ask(context, reading=700.0)


@pytest.mark.parametrize(
    ("other", "says"),
    [
        ({"speed": ""}, "speed: enter a number"),
        ({"speed": 0.0}, "above 0 m/min"),
        ({"film": 9.0}, "expected 0.3 to 3"),
        ({"stop": -5.0}, "times of 0 s or more"),
    ],
)
def test_what_cannot_be_computed_is_a_sentence(context, other, says):
    assert says in ask(context, **other)
