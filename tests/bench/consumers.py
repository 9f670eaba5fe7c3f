"""Consumers that acknowledge each message by hand and do nothing else. `python consumers.py KIND PORT COUNT`."""

import asyncio
import sys
import threading
import time
from typing import Any

import aiomqtt
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.contract.address import BrokerAddress
from monitor.contract.config.works import Broker
from monitor.shell.mqtt_client import Connection

FILTER = "bench/#"
WINDOW = 200


class Clock:
    """Processor and time from the first message to the last; prints both, and that it is ready."""

    def __init__(self, count: int) -> None:
        self._left, self._count = count, count
        self._cpu = self._wall = 0.0

    def ready(self) -> None:
        print("ready", flush=True)

    def message(self) -> bool:
        """Count one; whether it was the last."""
        if self._left == self._count:
            self._cpu, self._wall = time.process_time(), time.perf_counter()
        self._left -= 1
        if self._left == 0:
            cpu, wall = time.process_time() - self._cpu, time.perf_counter() - self._wall
            print(f"{cpu / self._count * 1e6:.1f} {self._count / wall:.0f}", flush=True)
        return self._left == 0


async def through_aiomqtt(port: int, clock: Clock, by_hand: bool) -> None:
    """aiomqtt's iterator; by hand it has to reach for the client within, since there is no public way."""
    client = aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5, properties=_window())
    inner: Any = client._client
    inner.manual_ack_set(by_hand)
    async with client:
        await client.subscribe(FILTER, qos=1)
        clock.ready()
        async for message in client.messages:
            last = clock.message()
            if by_hand:
                inner.ack(message.mid, message.qos)
            if last:
                return


def through_a_thread(port: int, clock: Clock, hand_over: bool) -> None:
    """paho's own thread; with `hand_over` each message goes to a loop that acknowledges it, as a monitor would."""
    done = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5, manual_ack=True)
    loop = asyncio.new_event_loop()

    def acknowledge(message: mqtt.MQTTMessage) -> None:
        last = clock.message()
        client.ack(message.mid, message.qos)
        if last:
            done.set()

    client.on_subscribe = lambda *_: clock.ready()

    def subscribe(*_: object) -> None:
        client.subscribe(FILTER, qos=1)

    client.on_connect = subscribe

    def receive(_client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        if hand_over:
            loop.call_soon_threadsafe(acknowledge, message)
        else:
            acknowledge(message)

    client.on_message = receive
    client.connect("127.0.0.1", port, properties=_window())
    client.loop_start()
    if hand_over:
        loop.run_until_complete(loop.run_in_executor(None, done.wait))
    done.wait()
    client.loop_stop()


async def through_our_connection(port: int, clock: Clock) -> None:
    """What the monitor uses."""
    done = asyncio.Event()

    def receive(message: mqtt.MQTTMessage) -> None:
        last = clock.message()
        connection.acknowledge(message)
        if last:
            done.set()

    connection = Connection("bench", receive)
    await connection.open(
        BrokerAddress(host="127.0.0.1", port=port), Broker(session_expiry_s=0, receive_maximum=WINDOW)
    )
    await connection.subscribe(FILTER)
    clock.ready()
    await done.wait()
    connection.close()


def _window() -> Properties:
    properties = Properties(PacketTypes.CONNECT)
    properties.ReceiveMaximum = WINDOW
    return properties


if __name__ == "__main__":
    kind, port, clock = sys.argv[1], int(sys.argv[2]), Clock(int(sys.argv[3]))
    if kind.startswith("aiomqtt"):
        asyncio.run(through_aiomqtt(port, clock, kind.endswith("by-hand")))
    elif kind.startswith("thread"):
        through_a_thread(port, clock, kind.endswith("to-loop"))
    else:
        asyncio.run(through_our_connection(port, clock))
