"""Recordings as arrivals: every row comes out of its message as it went in, however the recording is written."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.commands.replay import widened
from monitor.contract.config.load import ConfigurationError, load
from monitor.core.arrival import Message
from monitor.core.decode import Decoder
from monitor.shell.recording import ColumnOf, Mapping, RecordingRows, arrivals, read_mapping, read_rows
from tests.commands.test_replay import PIPE, utc


@given(st.lists(st.tuples(st.sampled_from([0.01, 0.1, 1.0, 7.5]), st.floats(-50, 50)), min_size=1, max_size=80))
def test_every_row_comes_out_of_its_message_as_it_went_in(steps):
    t = 1.7e9 + np.cumsum([s[0] for s in steps])
    v = np.array([s[1] for s in steps])
    c = widened(load(PIPE))
    decoder = Decoder.of(c)
    got_t, got_v = [], []
    for arrival in arrivals(RecordingRows(t, ["meter/flow"] * len(t), v), Mapping(), "pipe", c.lines["pipe"]):
        message = decoder.decode(arrival)
        assert isinstance(message, Message)
        got_t += message.body.t_s.tolist()
        got_v += message.body.v.tolist()
    assert got_v == v.tolist()
    assert np.allclose(got_t, t, atol=0.0011)


def test_a_bad_value_of_a_recording_is_no_value():
    c = widened(load(PIPE))
    rows = RecordingRows(np.array([1.7e9, 1.7e9 + 0.1]), ["meter/flow"] * 2, np.array([np.nan, 1.0]))
    (arrival,) = arrivals(rows, Mapping(), "pipe", c.lines["pipe"])
    message = Decoder.of(c).decode(arrival)
    assert np.isnan(message.body.v[0])
    assert message.body.v[1] == 1.0


def test_csv_and_parquet_foreign_units_and_time_zones_are_read_alike(tmp_path):
    frame = pd.DataFrame({"when": ["2024-01-01 12:00:00", "2024-01-01 12:00:01"], "flow": [36.0, 72.0]})
    frame.to_csv(tmp_path / "a.csv", index=False, sep=";")
    frame.to_parquet(tmp_path / "a.parquet")
    mapping = Mapping(
        time="when", time_zone="Europe/Stockholm", separator=";",
        column=(ColumnOf(column="flow", stream="meter/flow", factor=1 / 3.6),),
    )  # fmt: skip
    for name in ("a.csv", "a.parquet"):
        rows = read_rows(tmp_path / name, mapping)
        assert rows.t_s.tolist() == [utc("2024-01-01T11:00:00Z"), utc("2024-01-01T11:00:01Z")]
        assert rows.v == pytest.approx([10.0, 20.0])


def test_a_mapping_with_an_unknown_key_is_refused_with_the_key(tmp_path):
    (tmp_path / "m.toml").write_text('tiem = "t"\n')
    with pytest.raises(ConfigurationError, match="tiem"):
        read_mapping(tmp_path / "m.toml")


@pytest.mark.parametrize("stamp", ["2024-10-27 02:30:00", "2024-03-31 02:30:00", "noon", ""])
def test_a_stamp_that_is_no_instant_is_refused(tmp_path, stamp):
    (tmp_path / "a.csv").write_text(f"time,stream,value\n2024-10-27 04:00:00,meter/flow,1\n{stamp},meter/flow,2\n")
    with pytest.raises(ValueError, match=stamp or "isoformat"):
        read_rows(tmp_path / "a.csv", Mapping(time_zone="Europe/Stockholm"))


def test_decimal_commas_empty_values_and_milliseconds_are_read(tmp_path):
    (tmp_path / "a.csv").write_text("t;flow\n1700000000000;36,5\n1700000001000;\n")
    column = ColumnOf(column="flow", stream="meter/flow")
    rows = read_rows(
        tmp_path / "a.csv", Mapping(time="t", time_unit="ms", separator=";", decimal=",", column=(column,))
    )
    assert rows.t_s.tolist() == [1.7e9, 1.7e9 + 1]
    assert rows.v == pytest.approx([36.5, np.nan], nan_ok=True)
