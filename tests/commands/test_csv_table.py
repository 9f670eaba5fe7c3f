"""Tables that people write: comments, spaces and missing columns."""

import math

import pytest

from monitor.commands.csv_table import number, read_table
from monitor.commands.rehearse import known_in


def test_rows_come_by_column_name_without_comments_blank_lines_and_byte_order_mark(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text('\ufeff# by Mira\na, b\n1, "x, y"  # so\n\n2\n', encoding="utf-8")
    assert read_table(file, ("a", "b")) == [{"a": "1", "b": "x, y"}, {"a": "2", "b": ""}]


@pytest.mark.parametrize(("text", "says"), [("a,c\n", "no column b; it has a, c"), ("", "no column a, b; it has none")])
def test_a_missing_column_is_named_with_those_that_are_there(tmp_path, text, says):
    (tmp_path / "a.csv").write_text(text)
    with pytest.raises(ValueError, match=says):
        read_table(tmp_path / "a.csv", ("a", "b"))


def test_a_text_that_is_no_number_is_none():
    assert number("1.5") == 1.5
    assert math.isnan(number("x"))


def test_known_cable_whose_metres_are_no_numbers_is_refused(tmp_path):
    (tmp_path / "known.csv").write_text("line,start_m,end_m\ncore-1,1,two\n")
    with pytest.raises(ValueError, match=r"known\.csv: expected metres as numbers"):
        known_in(tmp_path / "known.csv")
