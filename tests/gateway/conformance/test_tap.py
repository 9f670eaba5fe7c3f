"""MQTT packets on a tapped wire: whole however TCP cuts them, and read as the specification has them."""

import asyncio
import contextlib
import itertools
import socket
import struct
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from monitor.gateway.conformance.tap import Frames, MalformedError, Tap, TappedConnection, matches, show

# Written by hand from MQTT 5.0, sections 3.1, 3.3, 3.8 and 3.9.
CONNECT_5 = bytes.fromhex("10 0e 0004 4d515454 05 02 001e 00 0001 61")
CONNECT_311 = bytes.fromhex("10 0d 0004 4d515454 04 02 001e 0001 61")
CONNACK_5 = bytes.fromhex("20 03 00 00 00")
SUBSCRIBE_5 = bytes.fromhex("82 0d 0007 00 0003 612f2b 01 0001 23 01")
SUBACK_5 = bytes.fromhex("90 05 0007 00 01 01")
PUBLISH_5 = bytes.fromhex("33 0b 0003 612f62 0009 00 7b7d20")  # QoS 1, retained
PUBLISH_311 = bytes.fromhex("32 09 0003 612f62 0009 7b7d")
ALL = CONNECT_5 + SUBSCRIBE_5 + PUBLISH_5


def connection(seen: list) -> TappedConnection:
    published = lambda *fields: seen.append(fields)  # noqa: E731
    return TappedConnection(
        writer=None, on_connected=lambda: seen.append("connected"), on_subscribed=seen.append, on_published=published
    )


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
    one = TappedConnection(
        writer=None,
        on_connected=lambda: None,
        on_subscribed=lambda _: None,
        on_published=lambda *_: None,
        on_in_flight=lambda *f: flights.append(f),
    )
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


GARBAGE = {
    "a CONNECT of one byte": b"\x10\x01\x00",
    "a CONNECT without a body": b"\x10\x00",
    "a SUBSCRIBE that ends in its properties": CONNECT_5 + b"\x82\x03\x00\x07\x80",
    "a PUBLISH that ends in its topic": CONNECT_5 + b"\x32\x01\x00",
    "a length of five bytes": b"\x10\xff\xff\xff\xff\xff",
    "no MQTT at all": b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n" * 8,
}


async def until(met: Callable[[], bool]) -> None:
    while not met():  # noqa: ASYNC110 - the tap has no event for what its test looks at
        await asyncio.sleep(0.01)


async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """A broker that takes everything and says nothing."""
    with contextlib.suppress(ConnectionError):
        while await reader.read(1000):
            pass
    writer.close()


@pytest.mark.parametrize("what", ["reset", *GARBAGE])
async def test_a_client_that_resets_or_talks_no_mqtt_is_dropped_and_nothing_stays_of_it(what):
    unhandled: list = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: unhandled.append(context))
    tap = Tap(on_connected=lambda: None, on_subscribed=lambda _: None, on_published=lambda *_: None, open=True)
    async with await asyncio.start_server(talk, "127.0.0.1", 0) as broker, asyncio.timeout(20):
        await tap.listen("127.0.0.1", 0, lambda: broker.sockets[0].getsockname()[1])
        reader, writer = await asyncio.open_connection("127.0.0.1", tap._servers[0].sockets[0].getsockname()[1])
        await until(lambda: bool(tap._connections))
        if what == "reset":
            linger = struct.pack("ii", 1, 0)
            writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
            writer.transport.abort()
        else:
            writer.write(GARBAGE[what])
            writer.write_eof()
            with contextlib.suppress(ConnectionError):
                assert await reader.read() == b""
        await until(lambda: not tap._connections)
        writer.close()
        tap.close()
    assert not unhandled


@given(st.binary(max_size=60), st.booleans())
def test_no_bytes_raise_anything_but_that_they_are_no_mqtt(data, after_connect):
    one, frames = connection([]), Frames()
    with contextlib.suppress(MalformedError):
        for frame in frames.feed((CONNECT_5 if after_connect else b"") + data):
            show(frame, one.sent)
            show(frame, one.received)


levels = st.lists(st.sampled_from(["a", "b", "c"]), min_size=1, max_size=4)


@given(levels, st.lists(st.sampled_from(["a", "b", "+"]), min_size=1, max_size=4), st.booleans())
def test_subscriptions_bring_what_the_client_library_says_they_bring(topic, topics, deep):
    wanted = "/".join([*topics, "#"] if deep else topics)
    assert matches(wanted, "/".join(topic)) == topic_matches_sub(wanted, "/".join(topic))
