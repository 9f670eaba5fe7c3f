"""Topics: what is published for a stream is parsed as that stream, and nothing else is."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract import topics
from monitor.contract.topics import Stream

NAMES = st.from_regex(r"[a-z0-9]{1,6}(-[a-z0-9]{1,4}){0,2}", fullmatch=True)
STREAMS = st.builds(Stream, NAMES, NAMES, NAMES)


@given(stream=STREAMS, works=NAMES)
def test_a_stream_is_read_from_its_own_topic(stream, works):
    assert topics.parse(works, topics.sample_topic(works, stream)) == stream
    assert topics.parse(works + "x", topics.sample_topic(works, stream)) is None


@given(stream=STREAMS)
def test_what_the_monitor_publishes_is_no_stream(stream):
    """Its reports have five levels; `+/+` below a line does not match them."""
    for topic in (topics.stored_topic("tarn", stream), topics.refused_topic("tarn", stream)):
        assert topics.parse("tarn", topic) is None
        assert len(topic.split("/")) == 1 + len(topics.subscription("tarn", stream.line).split("/"))


@given(text=st.text(alphabet="aA9/-+#$ é\x00", max_size=20))
def test_any_text_is_a_stream_in_its_one_spelling_or_none(text):
    stream = topics.parse("tarn", f"tarn/{text}")
    assert stream is None or topics.sample_topic("tarn", stream) == f"tarn/{text}"


@pytest.mark.parametrize(
    "topic", ["tarn/a/b", "tarn/a/b/c/d", "tarn//b/c", "tarn/A/b/c", "tarn/a/+/c", "", "tarn/a/b/c\n"]
)
def test_other_topics_are_none(topic):
    assert topics.parse("tarn", topic) is None


def test_an_earlier_name_is_read_from_a_store_under_todays():
    assert topics.present(Stream("lay-1", "pay-off-1", "splice")) == Stream("lay-1", "pay-off-1", "payoff")
    assert topics.present(Stream("lay-1", "bow", "speed")) == Stream("lay-1", "bow", "speed")
    assert topics.is_notification("splice")
    assert not topics.is_notification("speed")
