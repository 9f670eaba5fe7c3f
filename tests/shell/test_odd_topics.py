"""A7: a topic with wild-cards, which MQTT forbids to publish to and the embedded broker passes on."""

import socket
import struct
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from paho.mqtt.client import MQTTMessage

from monitor.shell.mqtt_client import legible, topic_of
from tests.shell.test_service import Works
from tests.shell.works import until


def mqtt_string(text: bytes) -> bytes:
    return struct.pack(">H", len(text)) + text


def publish(port: int, topic: bytes, payload: bytes) -> None:
    """One message at QoS 0 by MQTT 3.1.1, byte by byte: no client library publishes to such a topic."""
    connect = mqtt_string(b"MQTT") + bytes([4, 2, 0, 60]) + mqtt_string(b"odd")
    packet = mqtt_string(topic) + payload
    with socket.create_connection(("127.0.0.1", port), timeout=10) as s:
        s.sendall(bytes([0x10, len(connect)]) + connect)
        assert s.recv(4)[3] == 0, "expected the connection to be accepted"
        s.sendall(bytes([0x30, len(packet)]) + packet)
        s.sendall(b"\xe0\x00")


@pytest.fixture
def works(tmp_path: Path) -> Iterator[Works]:
    one = Works(tmp_path, "embedded")
    try:
        one.broker.start()
        one.monitor.start()
        yield one
    finally:
        one.monitor.close()
        one.broker.close()


def test_the_monitor_goes_on_counts_it_and_ends_on_sigterm(works):
    works.send("oven-a/temperature", n=0, v=290.0)
    until(lambda: works.samples("oven-a/temperature") == [290.0], 20, "the first sample")
    connections = works.monitor.output.count("connected to")
    odd = [b"tarn/core-1/+/temperature", b"tarn/core-1/oven-a/#", b"tarn/core-1/a+b/c#d"]
    for topic in odd:
        publish(works.port + 1, topic, b"{}")
    works.send("oven-a/temperature", n=1, v=291.0)
    until(lambda: works.samples("oven-a/temperature") == [290.0, 291.0], 20, "the sample after them")
    process = psutil.Process(works.monitor.process.pid)
    before, began_s = sum(process.cpu_times()[:2]), time.monotonic()
    time.sleep(1.0)  # what is measured is a second of its work, or longer where the machine is busy
    assert sum(process.cpu_times()[:2]) - before < 0.7 * (time.monotonic() - began_s)
    assert works.monitor.output.count("connected to") == connections
    until(lambda: works.rejected().get("topic", 0) > 0, 20, f"their count ({works.rejected()})")
    assert works.monitor.end(within_s=5.0) == 0


@pytest.mark.parametrize(
    "topic", [b"", b"+", b"#", b"a/#/b", b"\xff\xfe/+", b"tarn/core-1/\x00/x", "tarn/ü/+".encode()]
)
def test_any_bytes_become_a_topic_that_can_be_read(topic):
    text = topic_of(MQTTMessage(mid=1, topic=topic))
    assert text == legible(topic)
    assert not set("+#") & set(text)
    assert text.encode()
