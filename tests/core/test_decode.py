"""What is data and what is not: golden bytes for both, each bad kind counted by its own word."""

import itertools
import json
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract import rules
from monitor.contract.messages import Action, DrumChange, PayoffChange, StateChange
from monitor.contract.record import Rejected
from monitor.core.arrival import Arrival, Block, Message
from monitor.core.decode import Decoder
from tests.core.script import T0, configuration

GOLDEN = json.loads((Path(__file__).parents[1] / "data/wire/golden.json").read_text())


def decoder() -> Decoder:
    return Decoder.of(configuration())


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


@given(st.floats(-1e4, 1e4), st.sampled_from(["good", "uncertain", "bad"]), st.integers(-60_000, 4_000))
def test_one_value_alone_is_the_same_as_a_block_of_one_value(value, quality, late_ms):
    """Beyond the instrument's range or of bad quality it is no reading; either way its stamp is judged alike."""
    fields = {"n": 7, "t": round(T0 * 1e3) + late_ms, "q": quality}
    alone, block = (
        decode("tarn/core-1/oven-a/temperature", json.dumps(fields | {"v": v}).encode()) for v in (value, [value])
    )
    low, high = configuration().lines["core-1"].range_of("oven-a/temperature")
    for message in (alone, block):
        assert isinstance(message, Message)
        assert isinstance(message.body, Block)
        assert message.body.t_s.tolist() == [message.end_s] == [message.t_s]
        assert np.isnan(message.body.v[0]) == (quality == "bad" or not low <= value <= high)
    assert np.array_equal(alone.body.v, block.body.v, equal_nan=True)
    assert alone.t_s == block.t_s


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


# ---- what is refused for good, and what may come again ---------------------------------------------------------------

MS = round(T0 * 1e3)
OVEN_A = "tarn/core-1/oven-a/temperature"
FINAL = {
    "not finite": (OVEN_A, b'{"n": 7, "t": %d, "v": NaN}' % MS),
    "not JSON": (OVEN_A, b'{"n": 7, "t": %d, "v": [1, 2' % MS),
    "wrong type": (OVEN_A, b'{"t": %d, "v": "hot", "n": 7}' % MS),
    "block": (OVEN_A, b'{"n": 7, "t": %d, "v": [1, 2]}' % MS),
    "too large": (OVEN_A, b'{"n": 7, "t": %d, "v": 1, "x": "%s"}' % (MS, b"x" * 2**20)),
    "clock never set": (OVEN_A, b'{"n": 7, "t": 12345, "v": 1}'),
    "text": ("tarn/core-1/take-up/drum", b'{"n": 7, "t": %d, "drum": "A\\u00001"}' % MS),
}
LATER = {
    "clock behind": (OVEN_A, b'{"n": 7, "t": %d, "v": 1}' % (MS - 30 * 86_400_000)),
    "clock ahead": (OVEN_A, b'{"n": 7, "t": %d, "v": 1}' % (MS + 3_600_000)),
    "unknown stream": ("tarn/core-1/oven-z/temperature", b'{"n": 7, "t": %d, "v": 1}' % MS),
    "derived stream": ("tarn/lay-1/bow/lay-length", b'{"n": 7, "t": %d, "v": 1}' % MS),
}
UNKNOWN_LINE = ("tarn/core-9/oven-a/temperature", b'{"n": 7, "t": %d, "v": 1}' % MS)
OF_NOBODY = {
    "topic": ("tarn/core-1/oven-a", b'{"n": 7, "t": %d, "v": 1}' % MS),
}


@pytest.mark.parametrize(("kind", "case"), FINAL.items())
def test_the_number_is_known_of_what_can_never_become_data(kind, case):
    """B1: so that its publisher can be answered, and goes on."""
    topic, payload = case
    for start in (0, 1234):
        one = decode(topic, payload.replace(b'"n": 7,', b'"n": 7, "start": %d,' % start) if start else payload)
        if start and b'"n": 7,' not in payload:
            continue
        assert isinstance(one, Rejected)
        assert one.kind == kind
        assert one.number is not None
        assert (one.number.start, one.number.n) == (start, 7)
        assert f"tarn/{one.number.stream}" == topic
        assert one.final


@pytest.mark.parametrize(("kind", "case"), LATER.items())
def test_what_a_clock_or_the_configuration_may_explain_is_not_refused_for_good(kind, case):
    """B1: nor does its publisher wait for it, with all that it has to send."""
    one = decode(*case)
    assert isinstance(one, Rejected)
    assert one.kind == kind
    assert one.number is not None
    assert (f"tarn/{one.number.stream}", one.number.n) == (case[0], 7)
    assert not one.final


@pytest.mark.parametrize(("kind", "case"), OF_NOBODY.items())
def test_a_message_of_no_stream_of_ours_has_no_publisher_to_answer(kind, case):
    one = decode(*case)
    assert isinstance(one, Rejected)
    assert one.kind == kind
    assert one.number is None


def test_whether_a_line_that_is_not_ours_is_of_the_works_is_not_known_here():
    """Another monitor may have it: whoever knows all lines gives the answer its number."""
    one = decode(*UNKNOWN_LINE)
    assert isinstance(one, Rejected)
    assert (one.kind, one.number, one.final) == ("unknown line", None, False)


def rejected_of(topic: str, payload: bytes) -> Rejected:
    one = decode(topic, payload)
    assert isinstance(one, Rejected)
    return one


def test_where_no_report_can_name_a_message_its_line_hears_that_it_came():
    """B1: a publisher may not wait for ever for it, nor go on while its line is not taken."""
    for topic, payload in (OF_NOBODY["topic"], (OVEN_A, b"no number"), ("tarn/core-1/OVEN/temperature", b"{}")):
        assert rules.empty_report_line(rejected_of(topic, payload)) == "core-1"
    for topic, payload in (UNKNOWN_LINE, *FINAL.values(), *LATER.values()):
        assert not rules.empty_report_line(rejected_of(topic, payload))
    assert not rules.empty_report_line(
        Rejected(kind="line suspended", topic=OVEN_A, why="later", received_s=T0, line="core-1")
    )


def test_the_contract_lists_every_kind_of_refusal_and_whether_it_is_final():
    ours = {"number forgotten", "set aside"}  # not for what a message says, but for what is stored
    assert {*OF_NOBODY, "old retained"} == set(rules.UNREPORTED)
    assert {*FINAL, *LATER, *ours, "defect", "unknown line"} == set(
        rules.REFUSALS
    )  # a defect of the monitor is put right
    assert {kind for kind, final in rules.REFUSALS.items() if final} == {*FINAL, *ours}


NOT_DATA = {
    "not finite": (b'"v": NaN', b'"v": [250.0, Infinity]', b'"v": 1, "x": {"n": 3, "y": [NaN]}'),
    "not JSON": (b'"v": [1, 2', b'"v": tru', b'"v": 1, "x": "\\'),
    "too large": (b'"v": [%s]' % b",".join([b"250.25"] * 60_000), b'"v": NaN, "x": "%s"' % (b"y" * 2**19)),
    "wrong type": (b'"v": "hot"', b'"v": 1, "q": "\\"n\\": 5"'),
}


@pytest.mark.parametrize(("kind", "rest"), [(kind, rest) for kind, rests in NOT_DATA.items() for rest in rests])
def test_the_number_is_found_wherever_it_is_in_the_payload(kind, rest):
    """B1: the order of keys is the publisher's."""
    named = [b'"n": 7', b'"start": 1764000000000', b'"t": %d' % MS]
    for parts in itertools.permutations([*named, rest]):
        broken = kind == "not JSON"
        if broken and parts[-1] != rest:
            continue
        one = decode(OVEN_A, b"{" + b", ".join(parts) + (b"" if broken else b"}"))
        assert isinstance(one, Rejected)
        assert one.kind == kind
        assert one.number is not None, parts
        assert (one.number.start, one.number.n) == (1764000000000, 7)
        assert one.final


def test_the_search_for_a_number_is_linear_whatever_the_payload():
    for payload in (
        b'{"v": NaN, "x": "' + b'\\"' * 2**18,
        b"{" + b'"' * 2**19,
        b'{"n"' * 2**17,
        b"{" + b'"n"' * 2**17,
        b"[" * 2**19,
    ):
        begun_s = time.process_time()
        assert isinstance(decode(OVEN_A, payload), Rejected)
        assert time.process_time() - begun_s < 2.0


def test_no_number_is_guessed():
    for payload in (
        b'{"n": 7, "start": "x", "v": NaN}', b'{"n": 7.5, "v": NaN}', b'{"n": 9999999999999999, "v": NaN}',
        b'{"v": NaN, "x": "\\"n\\": 7,"}', b'[{"n": 7, "v": NaN}]', b'{"n": null, "v": NaN}',
        b"not a reading", b'{"v": NaN, "x": {"n": 3}}', b'{"n": "7", "v": 1}', b'{"n": -1}', b"\x00",
    ):  # fmt: skip
        one = decode(OVEN_A, payload)
        assert isinstance(one, Rejected)
        assert one.number is None, payload


@pytest.mark.parametrize("escaped", [r"\ud800", r"x\udfffy", r"\ud800x", "\\u0000", "\\u001b", "\\u007f"])
def test_text_that_a_store_may_not_hold_is_refused_as_text(escaped):
    """A5."""
    one = decode("tarn/core-1/take-up/drum", f'{{"n": 0, "t": {MS}, "drum": "A{escaped} 1"}}'.encode())
    assert isinstance(one, Rejected)
    assert one.kind == "text"


@pytest.mark.parametrize(
    "fields",
    [
        '"action": "mark metres", "by": "M", "start_m": 1e308, "end_m": 1e308',
        '"action": "acknowledge", "by": "M", "occurrence": 9007199254740992',
        '"action": "note resistance", "by": "M", "drum": "A", "ohm": 1e300',
    ],
)
def test_what_is_not_physical_is_refused(fields):
    """A11."""
    one = decode("tarn/core-1/operator/action", f'{{"n": 0, "t": {MS}, {fields}}}'.encode())
    assert isinstance(one, Rejected)
    assert one.kind == "wrong type"


@given(st.text(max_size=300), st.binary(max_size=60))
def test_what_is_kept_of_a_rejected_message_can_be_shown_and_stored(topic, payload):
    one = decode(topic, payload)
    assert isinstance(one, Rejected)
    assert (one.topic + one.why).isprintable()
    assert one.line in ("", *configuration().lines)


def test_topics_that_are_remembered_are_those_of_the_configuration():
    """A11: strangers do not fill the cache."""
    one = decoder()
    for i in range(500):
        one.decode(Arrival(f"tarn/core-{i}/x-{i}/y", b"{}", T0))
    assert set(one._known) <= {f"tarn/core-1/{path}" for path in configuration().lines["core-1"].streams}
