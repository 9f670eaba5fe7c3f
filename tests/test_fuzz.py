"""Whatever comes in is data or is refused with a word, in decode, configuration, files and api."""

import contextlib
import json
from pathlib import Path

import numpy as np
import pytest
from flask.testing import FlaskClient
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.contract.config.load import ConfigurationError, FileFault, parse, read_folder
from monitor.contract.record import Rejected
from monitor.core.arrival import Arrival, Message
from monitor.core.decode import Decoder
from monitor.shell.recording import Mapping, read_rows
from tests.core.script import CONFIGS, T0, configuration

GOLDEN = json.loads((Path(__file__).parent / "data/wire/golden.json").read_text())
SOUND = [(c["topic"], c["payload"]) for c in GOLDEN["sound"]]
FILES = read_folder(CONFIGS)
MANY = settings(max_examples=400, deadline=None)

values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=True) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)


def decoded(topic: str, payload: bytes) -> Message | Rejected:
    c = configuration()
    return Decoder.of(c).decode(Arrival(topic, payload, T0))


def sound_or_refused(found: Message | Rejected) -> None:
    if isinstance(found, Rejected):
        assert found.kind
        assert found.why
        return
    block = found.body
    if hasattr(block, "t_s"):
        assert len(block.t_s) == len(block.v) > 0
        assert (np.diff(block.t_s) > 0).all()
        assert np.isfinite(block.t_s).all()
        assert not np.isinf(block.v).any()


@MANY
@given(st.text(max_size=80), st.binary(max_size=300))
def test_any_topic_and_any_bytes(topic, payload):
    sound_or_refused(decoded(topic, payload))


@MANY
@given(st.sampled_from(SOUND), st.lists(st.tuples(st.integers(0, 400), st.integers(0, 255)), min_size=1, max_size=6))
def test_a_sound_message_with_some_bytes_changed(case, changes):
    topic, payload = case
    data = bytearray(payload.encode())
    for place, byte in changes:
        data[place % len(data)] = byte
    sound_or_refused(decoded(topic, bytes(data)))


@MANY
@given(st.sampled_from(SOUND), st.sampled_from(["n", "t", "v", "dt", "q", "state", "drum", "by", "until"]), values)
def test_a_sound_message_with_one_field_of_anything(case, field, value):
    topic, payload = case
    fields = json.loads(payload) | {field: value}
    sound_or_refused(decoded(topic, json.dumps(fields).encode()))


def faults(files: dict[str, str]) -> list[FileFault]:
    """Nothing else than a list of faults may come of any text."""
    try:
        parse(files)
    except ConfigurationError as error:
        return error.faults
    return []


@settings(max_examples=120, deadline=None)
@given(
    st.sampled_from(sorted(FILES)),
    st.integers(0, 10_000),
    st.sampled_from(["cut", "swap", "drop", "word"]),
    st.text(max_size=12),
)
def test_any_damage_to_a_configuration_file_is_a_named_fault_or_none(name, place, how, word):
    text = FILES[name]
    lines = text.splitlines()
    i = place % len(lines)
    if how == "cut":
        text = text[: place % len(text)]
    elif how == "drop":
        text = "\n".join(lines[:i] + lines[i + 1 :])
    elif how == "swap":
        lines[i], lines[i - 1] = lines[i - 1], lines[i]
        text = "\n".join(lines)
    else:
        lines[i] = lines[i].split("=")[0] + "= " + word
        text = "\n".join(lines)
    fields = faults(FILES | {name: text})
    assert all(fault.file and str(fault) for fault in fields)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=400), st.sampled_from([".csv", ".parquet"]))
def test_any_file_as_a_recording_is_rows_or_a_sentence(tmp_path_factory, data, ending):
    path = tmp_path_factory.mktemp("any") / f"a{ending}"
    path.write_bytes(data)
    with contextlib.suppress(ValueError):  # the command says it and ends
        rows = read_rows(path, Mapping())
        assert len(rows.t_s) == len(rows.path) == len(rows.v)


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(["live", "trend", "process-history"]),
    st.dictionaries(
        st.sampled_from(["line", "since", "metres", "stream", "start", "end", "points", "metre"]),
        st.text(max_size=40) | st.integers().map(str) | st.sampled_from(["core-1", "core-1/oven-a/temperature"]),
        max_size=5,
    ),
)
def test_any_question_to_the_api_is_answered_or_refused_with_a_sentence(client, question, asked):
    reply = client.get(f"/api/v1/{question}", query_string=asked)
    assert reply.status_code in (200, 400)
    if reply.status_code == 400:
        assert reply.get_json()["error"]


@pytest.fixture(scope="module")
def client() -> FlaskClient:
    from dashboard.app import create_app
    from tests.dashboard.conftest import NOW_S
    from tests.dashboard.fake_record import FakeGateway, FakeRecord, core_lines_of

    c = core_lines_of(configuration())
    return create_app(FakeRecord(c, lambda: NOW_S), c, FakeGateway(), lambda: NOW_S).server.test_client()
