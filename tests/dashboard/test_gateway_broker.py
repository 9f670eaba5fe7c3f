"""The gateway against a real broker: the bytes arrive on the line's action topic, and a lost broker is told."""

import queue
import socket
import subprocess
import time
from collections.abc import Callable, Iterator

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from dashboard.gateway import MqttGateway, NotSentError, Outgoing
from monitor.contract.address import BrokerAddress
from monitor.contract.messages import Action
from tests.ports import free_port

ACTION = Action(
    n=17,
    t=1_764_038_050_000,
    action="acknowledge",
    by="K. Berg",
    reason="",
    alarm="head/pressure/HI",
    occurrence=1_764_037_670_000,
)
PATIENCE_S = 60.0  # only a test that fails waits so long


class Broker:
    """mosquitto on a free port, without a file."""

    def __init__(self) -> None:
        self.port = free_port()
        self.process = subprocess.Popen(
            ["/usr/sbin/mosquitto", "-p", str(self.port)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until(lambda: socket.create_connection(("127.0.0.1", self.port), 1))

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(PATIENCE_S)


def until(attempt: Callable[[], object]) -> None:
    """Try until it gives something true; the deadline makes a failure a failure."""
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        try:
            if attempt():
                return
        except (OSError, NotSentError):
            pass
        queue_wait(0.05)
    raise AssertionError("waited in vain")


def queue_wait(seconds: float) -> None:
    """Let the other side work for a moment."""
    try:
        queue.SimpleQueue[None]().get(timeout=seconds)
    except queue.Empty:
        return


@pytest.fixture
def broker() -> Iterator[Broker]:
    one = Broker()
    yield one
    one.stop()


def sent(gateway: MqttGateway) -> bool:
    gateway.send("core-2", ACTION)
    return True


def test_an_answer_arrives_as_it_was_encoded(broker):
    received: queue.Queue[tuple[str, bytes, int]] = queue.Queue()
    subscribed: queue.Queue[bool] = queue.Queue()
    listener = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    listener.on_message = lambda _c, _u, m: received.put((m.topic, bytes(m.payload), m.qos))
    listener.on_connect = lambda c, *_: c.subscribe("tarn/#", qos=1)
    listener.on_subscribe = lambda *_: subscribed.put(True)
    listener.connect("127.0.0.1", broker.port)
    listener.loop_start()
    gateway = MqttGateway("tarn", BrokerAddress(host="127.0.0.1", port=broker.port), clock=lambda: 7.0)
    gateway.start()
    try:
        assert subscribed.get(timeout=PATIENCE_S)
        until(lambda: sent(gateway))
        topic = "tarn/core-2/operator/action"
        assert received.get(timeout=PATIENCE_S) == (topic, Outgoing(7000).encode(topic, ACTION), 1)
    finally:
        gateway.stop()
        listener.disconnect()
        listener.loop_stop()


def test_a_broker_that_went_away_is_reported_to_the_person(broker):
    gateway = MqttGateway("tarn", BrokerAddress(host="127.0.0.1", port=broker.port))
    gateway.start()
    try:
        until(lambda: sent(gateway))
        broker.stop()

        def refused() -> bool:
            with pytest.raises(NotSentError):
                gateway.send("core-2", ACTION)
            return True

        until(refused)
    finally:
        gateway.stop()
