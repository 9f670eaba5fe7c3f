"""An hour's file: a stream's rows and no others, whatever else lies beside them and however old the file is."""

import json
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.store.parquet_files import write_whole
from monitor.store.samples import SCHEMA, arrays, read, streams_in

STREAMS = [("oven-a", "temperature"), ("oven-b", "pressure"), ("oven-b", "temperature")]


def rows(station: str, quantity: str, first: int, size: int, schema: pa.Schema = SCHEMA) -> pa.Table:
    fields = {"station": [station] * size, "quantity": [quantity] * size, "n": range(first, first + size)}
    return pa.table(
        {f.name: pa.array(fields[f.name], f.type) if f.name in fields else pa.nulls(size, f.type) for f in schema}
    )


@pytest.fixture
def hour(tmp_path: Path) -> Path:
    """Three streams, one of them in more than one row group."""
    path = tmp_path / "hour.parquet"
    write_whole(path, SCHEMA, [rows(*name, 10 * i, 3 if i else 70_000) for i, name in enumerate(STREAMS)])
    return path


@pytest.mark.parametrize(("stream", "first", "size"), [(0, 0, 70_000), (1, 10, 3), (2, 20, 3)])
def test_a_stream_is_read_whole_and_alone(hour, stream, first, size):
    found = read(hour, *STREAMS[stream])
    assert found.schema == SCHEMA
    assert found["n"].to_pylist() == list(range(first, first + size))
    assert set(zip(found["station"].to_pylist(), found["quantity"].to_pylist(), strict=True)) == {STREAMS[stream]}
    station, quantity = STREAMS[stream]
    assert read(hour, station, quantity, ["n"]).equals(found.select(["n"]))


@pytest.mark.parametrize("name", [("oven-a", "pressure"), ("oven-aa", "temperature"), ("", "")])
def test_a_stream_that_is_not_there_has_no_rows(hour, name):
    assert read(hour, *name).equals(SCHEMA.empty_table())


def test_streams_that_share_a_row_group_are_told_apart(tmp_path):
    path = tmp_path / "mixed.parquet"
    pq.write_table(pa.concat_tables(rows(*name, 10 * i, 3) for i, name in enumerate(STREAMS)), path)
    assert [read(path, *name)["n"].to_pylist() for name in STREAMS] == [[0, 1, 2], [10, 11, 12], [20, 21, 22]]


def test_a_file_without_statistics_is_read_all_the_same(tmp_path):
    path = tmp_path / "bare.parquet"
    pq.write_table(pa.concat_tables(rows(*name, 0, 2) for name in STREAMS), path, write_statistics=False)
    assert [len(read(path, *name)) for name in STREAMS] == [2, 2, 2]


def test_columns_of_later_versions_are_null_in_older_files(tmp_path):
    path, older = tmp_path / "older.parquet", pa.schema([SCHEMA.field(n) for n in ("station", "quantity", "n", "t_ms")])
    write_whole(path, older, [rows("oven-a", "temperature", 0, 2, older)])
    found = read(path, "oven-a", "temperature")
    assert found.schema == SCHEMA
    assert found["id"].null_count == 2
    assert read(path, "oven-a", "temperature", ["n", "dt_ms"])["dt_ms"].null_count == 2


def test_the_streams_of_a_file_are_named(hour, tmp_path):
    assert streams_in(hour) == set(STREAMS)
    assert streams_in(tmp_path / "none.parquet") == set()


value = st.floats(-1e12, 1e12)
blocks = st.lists(value, min_size=1, max_size=4)
quality = st.sampled_from(["good", "bad", "uncertain"])


@st.composite
def messages(draw: st.DrawFn) -> dict:
    """One sample or a block, with or without a quality of each."""
    v = draw(value | blocks)
    fields = {"n": draw(st.integers(0, 9)), "t": draw(st.integers(0, 4 * 10**12)), "v": v}
    if isinstance(v, list):
        return fields | {
            "dt": draw(st.floats(0.1, 1e5)),
            "q": draw(quality | st.lists(quality, min_size=len(v), max_size=len(v))),
        }
    return fields | {"q": draw(quality)}


@given(st.lists(messages(), max_size=5))
def test_messages_together_give_the_samples_of_each(fields):
    t_ms, v = arrays(json.dumps(one).encode() for one in fields)
    expected = []
    for one in fields:
        block = one["v"] if isinstance(one["v"], list) else [one["v"]]
        q = one["q"] if isinstance(one["q"], list) else [one["q"]] * len(block)
        expected += [
            (int(np.rint(one["t"] + i * one.get("dt", 0.0))), np.nan if q[i] == "bad" else x)
            for i, x in enumerate(block)
        ]
    assert t_ms.tolist() == [t for t, _ in expected]
    np.testing.assert_array_equal(v, [x for _, x in expected])
