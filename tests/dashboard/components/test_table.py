"""Tables: each cell under its head, numbers written one way, and a name for who listens."""

from typing import Any

import pytest

from dashboard.components.table import table


def parts(made: Any) -> tuple[Any, Any, Any]:
    inner = made.children
    caption, head, body = inner.children
    return caption.children, head.children.children, body.children


def test_every_cell_stands_under_its_head_and_bears_it_for_a_narrow_screen():
    caption, heads, rows = parts(table("Drums", ["Drum", "Length"], [["C1-1", 12345], ["C1-2", "short"]], empty="none"))
    assert caption == "Drums"
    assert [h.children for h in heads] == ["Drum", "Length"]
    assert {h.scope for h in heads} == {"col"}
    assert [[c.children for c in row.children] for row in rows] == [["C1-1", "12\u202f345"], ["C1-2", "short"]]
    labels = [[c.to_plotly_json()["props"]["data-label"] for c in row.children] for row in rows]
    assert labels == [["Drum", "Length"]] * 2


def test_numeric_columns_are_marked_in_head_and_cells_and_a_truth_is_no_count():
    _, heads, (row,) = parts(table("x", ["a", "b"], [[1, True]], empty="none", numeric=(0,)))
    assert [h.className for h in heads] == ["n", ""]
    assert [c.className for c in row.children] == ["n", ""]
    assert [c.children for c in row.children] == ["1", True]


def test_without_a_row_it_says_so_over_its_whole_width():
    _, _, (row,) = parts(table("x", ["a", "b", "c"], [], empty="No drums."))
    assert (row.children[0].children, row.children[0].colSpan) == ("No drums.", 3)


def test_it_can_be_reached_by_keyboard_and_named():
    made: Any = table("Drums", ["a"], [], empty="none", classes="wide")
    assert (made.tabIndex, made.role, made.to_plotly_json()["props"]["aria-label"]) == (0, "region", "Drums")
    assert made.children.className == "wide"


@pytest.mark.parametrize(("caption", "head"), [("", ["a"]), ("x", ["a", ""])])
def test_a_table_or_a_column_without_a_name_is_refused(caption, head):
    with pytest.raises(ValueError, match="a caption and a name for each column"):
        table(caption, head, [], empty="none")


def test_a_row_of_another_length_is_refused():
    with pytest.raises(ValueError, match="argument 2 is longer"):
        table("x", ["a", "b"], [["one"]], empty="none")
