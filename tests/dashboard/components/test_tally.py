"""Priority as strokes: more of them for a higher one, and always the word for who cannot see them."""

from typing import Any

import pytest

from dashboard.components.tally import tally


@pytest.mark.parametrize(("priority", "strokes"), [("low", 1), ("medium", 2), ("high", 3), ("unknown", 0)])
def test_a_higher_priority_has_more_strokes_and_its_word(priority, strokes):
    made: Any = tally(priority)
    drawn, word = made.children
    assert len(drawn.children) == strokes
    assert drawn.to_plotly_json()["props"]["aria-hidden"] == "true"
    assert word == priority
    assert made.className == f"tally {priority}"


def test_another_text_may_stand_for_the_word():
    assert tally("high", "3 high").children[1] == "3 high"
