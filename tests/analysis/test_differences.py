"""Two accounts of one record: equal ones differ in nothing, each change is found where it is."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from monitor.analysis.differences import Difference, of_entries, of_rows

ENTRIES = st.dictionaries(
    st.tuples(st.text(max_size=3), st.integers(0, 5)),
    st.fixed_dictionaries({"a": st.floats(allow_nan=False), "b": st.text(max_size=3)}),
)


@given(ENTRIES, ENTRIES)
def test_differences_of_entries_are_exactly_those_there_are(one, other):
    found = of_entries("t", one, other)
    columns = sum(1 for key in one.keys() & other.keys() for n in "ab" if one[key][n] != other[key][n])
    assert len(found) == columns + len(one.keys() ^ other.keys())
    assert of_entries("t", one, one) == []


def test_a_difference_names_table_key_and_column():
    found = of_entries("finding", {("k",): {"end_m": 1.5}}, {("k",): {"end_m": 2.0}})
    assert [str(d) for d in found] == ["table finding, k, end_m: stored 1.5, made again 2.0"]


def test_rows_differ_at_the_first_metre_and_by_how_many():
    nan = float("nan")
    one = {"line_metre": np.array([5.0, 6, 7]), "v": np.array([1.0, nan, 3]), "w": np.array([1.0, 1, 1])}
    other = {"line_metre": np.array([6.0, 7, 8]), "v": np.array([nan, 4.0, 5]), "w": np.array([1.0, 1, nan])}
    assert of_rows("f", one, other) == [
        Difference(where="f, metre 5", column="v", stored="1", made="nan (and 2 more metres, by 1 at most)"),
        Difference(where="f, metre 5", column="w", stored="1", made="nan"),
    ]
    assert of_rows("f", one, one) == []
    assert of_rows("f", one, other, ["v", "w"]) == []
