"""Messages as types: what is published is read as it was, what cannot be is refused, and a report covers no hole."""

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.messages import MONITOR_MESSAGES, STREAM_MESSAGES, Samples, Stored

HOLES = st.lists(st.integers(0, 40), max_size=8, unique=True).map(sorted)


@given(holes=HOLES, first=st.integers(0, 5), n=st.integers(0, 45), start=st.integers(0, 1))
def test_a_report_covers_what_is_between_its_ends_and_in_no_hole(holes, first, n, start):
    report = Stored(n=40, first=first, missing=[(h, h) for h in holes], start=0)
    assert report.covers(start, n) is (start == 0 and first <= n <= 40 and n not in holes)


@given(
    n=st.integers(0, 2**53),
    v=st.one_of(st.floats(allow_nan=False, allow_infinity=False), st.lists(st.floats(-1e9, 1e9), max_size=5)),
    start=st.integers(0, 2**53),
)
def test_samples_are_read_as_they_were_written(n, v, start):
    sent = Samples(n=n, t=1_764_000_000_000, v=v, start=start)
    assert msgspec.json.decode(msgspec.json.encode(sent), type=Samples) == sent


@pytest.mark.parametrize(
    "payload",
    [
        b"{}", b"[]", b"", b"null", b'{"n": -1, "t": 0, "v": 1}', b'{"n": 1, "t": 0, "v": NaN}',
        b'{"n": 1, "t": 0, "v": "3"}', b'{"n": 1.5, "t": 0, "v": 1}', b'{"n": 1, "t": 1e99, "v": 1}',
        b'{"n": 1, "t": 0, "v": 1, "q": "fine"}', b'{"n": 1, "t": 0, "v": 1, "dt": -1}', b"\xff\xfe",
    ],
)  # fmt: skip
def test_what_is_no_sample_is_refused(payload):
    with pytest.raises((msgspec.DecodeError, UnicodeDecodeError)):
        msgspec.json.decode(payload, type=Samples)


def test_unknown_fields_are_ignored_so_that_newer_gateways_can_say_more():
    decoded = msgspec.json.decode(b'{"n": 1, "t": 0, "v": 1.5, "operator": "x"}', type=Samples)
    assert decoded == Samples(n=1, t=0, v=1.5)


@pytest.mark.parametrize("kind", [*STREAM_MESSAGES.values(), *MONITOR_MESSAGES.values()], ids=lambda k: k.__name__)
def test_every_message_and_field_has_its_meaning_in_words(kind):
    assert kind.__doc__
    assert kind.__doc__.strip().endswith(".")
    assert len(msgspec.json.schema(kind)["$defs"]) >= 1
