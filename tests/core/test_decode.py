"""What is data and what is not: golden bytes for both, each bad kind counted by its own word."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.messages import Action, DrumChange, PayoffChange, StateChange
from monitor.contract.record import Rejected
from monitor.core.arrival import Arrival, Block, Message
from monitor.core.decode import Decoder
from tests.core.story import T0, configuration

GOLDEN = json.loads((Path(__file__).parents[1] / "data/wire/golden.json").read_text())


def decoder() -> Decoder:
    c = configuration()
    return Decoder(c.works.works, c.lines, c.works.wire)


def decode(topic: str, payload: bytes, retained: bool = False) -> Message | Rejected:
    return decoder().decode(Arrival(topic, payload, T0, retained))


@pytest.mark.parametrize("case", GOLDEN["sound"], ids=lambda c: c["name"])
def test_golden_bytes_are_read_as_written(case):
    message = decode(case["topic"], case["payload"].encode())
    assert isinstance(message, Message), message
    body = message.body
    if isinstance(body, Block):
        got = {"t_s": body.t_s.tolist(), "v": [None if np.isnan(x) else x for x in body.v.tolist()]}
    else:
        assert isinstance(body, StateChange | DrumChange | PayoffChange | Action)
        got = {f: getattr(body, f) for f in body.__struct_fields__ if f in case["means"]}
    assert message.n == case["n"]
    assert got == case["means"]


@pytest.mark.parametrize("case", GOLDEN["refused"], ids=lambda c: c["name"])
def test_bad_bytes_are_counted_by_kind_and_say_what_was_expected(case):
    rejected = decode(case["topic"], case["payload"].encode("utf-8", "surrogateescape"), case.get("retained", False))
    assert isinstance(rejected, Rejected), rejected
    assert rejected.kind == case["kind"]
    assert len(rejected.why) > 10


def test_a_payload_of_one_mebibyte_is_too_large():
    rejected = decode("tarn/core-1/oven-a/temperature", b" " * 2**20)
    assert isinstance(rejected, Rejected)
    assert rejected.kind == "too large"


def test_bytes_that_are_no_text_are_refused():
    rejected = decode("tarn/core-1/oven-a/temperature", b"\xff\xfe\x00\x01")
    assert isinstance(rejected, Rejected)
    assert rejected.kind == "not JSON"


@given(st.text(max_size=60), st.binary(max_size=200))
def test_nothing_from_the_wire_raises(topic, payload):
    assert isinstance(decode(topic, payload), Message | Rejected)


@given(st.binary(max_size=300))
def test_no_payload_on_a_known_topic_raises(payload):
    for path in ("oven-a/temperature", "line/state", "take-up/drum", "operator/action"):
        assert isinstance(decode(f"tarn/core-1/{path}", payload), Message | Rejected)
    for path in ("pay-off-a/payoff", "bow/speed", "bow/lay-length"):
        assert isinstance(decode(f"tarn/lay-1/{path}", payload), Message | Rejected)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(["n", "t", "v", "dt", "q"]), inner),
    max_leaves=12,
)


@given(json_values)
def test_no_json_makes_data_that_is_not_finite_numbers_in_time(value):
    message = decode("tarn/core-1/oven-a/temperature", json.dumps(value).encode())
    if isinstance(message, Message):
        assert isinstance(message.body, Block)
        assert len(message.body.t_s) == len(message.body.v) > 0
        assert not np.isinf(message.body.v).any()
        assert np.all(np.diff(message.body.t_s) > 0)
        assert T0 - 8 * 86400 < message.t_s <= message.end_s < T0 + 6
