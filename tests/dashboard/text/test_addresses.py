"""Addresses: a drum's pages by line and number whatever its name holds, and earlier addresses lead on."""

from urllib.parse import parse_qs, unquote

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.text.addresses import MOVED, PAGES, is_number, meant_by, moved, question, way_to

NAMES = st.text(st.characters(codec="utf-8"), min_size=1, max_size=12)


@given(st.sampled_from(PAGES), NAMES, st.integers(0, 999_999_999))
def test_the_way_to_a_filling_is_read_back_as_that_filling(page, line, filling):
    parts = [unquote(part) for part in way_to(page, line, filling).removeprefix("/").split("/")]
    assert parts[:2] == [page, line]
    assert meant_by(parts) == (filling, "")


@given(NAMES)
def test_a_bare_name_means_the_newest_filling_of_that_name(name):
    assert meant_by(["drum", "core-1", name]) == (None, name)


@pytest.mark.parametrize(
    "parts",
    [["drum"], ["drum", "core-1"], ["drum", "core-1", "filling", "x"], ["drum", "core-1", "other", "4"], ["a"] * 5],
)
def test_what_names_no_drum_means_none(parts):
    assert meant_by(parts) is None


@pytest.mark.parametrize("text", ["", "1000000000", "-1", "1.0", "\u0662", "4 "])
def test_a_number_of_a_filling_is_one_that_a_database_takes(text):
    assert not is_number(text)
    assert is_number("0")
    assert is_number("999999999")


@pytest.mark.parametrize(("earlier", "now"), MOVED.items())
def test_an_earlier_address_leads_on_with_all_that_follows_it(earlier, now):
    assert moved(earlier) == now
    assert moved(f"{earlier}/core-1/7%2F") == f"{now}/core-1/7%2F"
    assert moved(f"{earlier}-x") is None
    assert moved(now) is None  # none leads round in a circle


def test_the_api_is_asked_for_the_same_filling(drum):
    asked = parse_qs(question(drum))
    assert asked == {"line": [drum.line], "filling": [str(drum.filling)]}
