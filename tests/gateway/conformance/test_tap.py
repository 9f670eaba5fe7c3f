"""MQTT packets on a tapped wire: whole however TCP cuts them, and read as the specification has them."""

import itertools

from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from monitor.gateway.conformance.tap import Connection, Frames, matches

# Written by hand from MQTT 5.0, sections 3.1, 3.3, 3.8 and 3.9.
CONNECT_5 = bytes.fromhex("10 0e 0004 4d515454 05 02 001e 00 0001 61")
CONNECT_311 = bytes.fromhex("10 0d 0004 4d515454 04 02 001e 0001 61")
CONNACK_5 = bytes.fromhex("20 03 00 00 00")
SUBSCRIBE_5 = bytes.fromhex("82 0d 0007 00 0003 612f2b 01 0001 23 01")
SUBACK_5 = bytes.fromhex("90 05 0007 00 01 01")
PUBLISH_5 = bytes.fromhex("33 0b 0003 612f62 0009 00 7b7d20")  # QoS 1, retained
PUBLISH_311 = bytes.fromhex("32 09 0003 612f62 0009 7b7d")
ALL = CONNECT_5 + SUBSCRIBE_5 + PUBLISH_5


def connection(seen: list) -> Connection:
    published = lambda *fields: seen.append(fields)  # noqa: E731
    return Connection(None, lambda: seen.append("connected"), seen.append, published)  # type: ignore[arg-type]


@given(st.lists(st.integers(0, len(ALL)), max_size=8))
def test_packets_are_whole_however_the_stream_is_cut(cuts):
    frames, edges = Frames(), [0, *sorted(cuts), len(ALL)]
    out = [frame for a, b in itertools.pairwise(edges) for frame in frames.feed(ALL[a:b])]
    assert out == [CONNECT_5, SUBSCRIBE_5, PUBLISH_5]


def test_what_a_client_of_mqtt_5_does_is_seen():
    seen: list = []
    one = connection(seen)
    one.sent(CONNECT_5)
    one.received(CONNACK_5)
    one.sent(SUBSCRIBE_5)
    assert seen == ["connected"]  # a subscription counts when the broker has acknowledged it
    one.received(SUBACK_5)
    one.sent(PUBLISH_5)
    assert seen[1:] == ["a/+", "#", ("a/b", b"{} ", 1, True)]
    assert one.publication("a/b", b"{}") == bytes.fromhex("30 08 0003 612f62 00 7b7d")


def test_what_a_client_of_mqtt_3_1_1_does_is_seen():
    seen: list = []
    one = connection(seen)
    one.sent(CONNECT_311)
    one.sent(PUBLISH_311)
    assert seen == [("a/b", b"{}", 1, False)]
    assert one.publication("a/b", b"{}") == bytes.fromhex("30 07 0003 612f62 7b7d")


def test_what_is_not_acknowledged_is_counted_against_what_the_broker_allows():
    flights: list = []
    one = Connection(None, lambda: None, lambda _: None, lambda *_: None, lambda *f: flights.append(f))  # type: ignore[arg-type]
    one.sent(CONNECT_5)
    one.received(bytes.fromhex("20 0e 00 00 0b 26 0001 61 0001 62 21 0014 25"))  # a user property, Receive Maximum 20
    for packet in (7, 8):
        one.sent(bytes.fromhex("32 08 0001 61") + packet.to_bytes(2, "big") + bytes.fromhex("00 7b 7d"))
    one.received(bytes.fromhex("40 02 0007"))
    one.sent(bytes.fromhex("32 08 0001 61 0009 00 7b 7d"))
    assert flights == [(1, 20), (2, 20), (2, 20)]


def test_a_long_publication_is_one_packet_again():
    packet = connection([]).publication("a/b", b"x" * 20_000)
    assert Frames().feed(packet) == [packet]


levels = st.lists(st.sampled_from(["a", "b", "c"]), min_size=1, max_size=4)


@given(levels, st.lists(st.sampled_from(["a", "b", "+"]), min_size=1, max_size=4), st.booleans())
def test_subscriptions_bring_what_the_client_library_says_they_bring(topic, topics, deep):
    wanted = "/".join([*topics, "#"] if deep else topics)
    assert matches(wanted, "/".join(topic)) == topic_matches_sub(wanted, "/".join(topic))
