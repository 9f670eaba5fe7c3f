"""The monitor's connection to the broker: what arrives is acknowledged only when it is told to be stored."""

import asyncio
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.contract.address import BrokerAddress
from monitor.contract.config.works import Broker
from monitor.contract.topics import MONITOR
from monitor.core.arrival import Arrival

AWAY_S = (0.2, 0.5, 1.0, 2.0, 5.0)
ANSWER_S = 10.0
KEEPALIVE_S = 10


@dataclass(frozen=True, slots=True)
class Received:
    """An arrival and the way to acknowledge it, on the connection that it came by and no other.

    `arrival` is None for what the monitor itself said: no data, but it is acknowledged in its turn, since
    acknowledgements must go out in the order of the messages (MQTT 5, 4.6; some brokers hang up otherwise).
    """

    arrival: Arrival | None
    acknowledge: Callable[[], None]


@dataclass(slots=True)
class Inside:
    """What aiomqtt 2.5 does not show of a connection: whether a session was resumed, and manual acknowledgement."""

    session_present: bool = False
    alive: bool = True


def reach_inside(client: aiomqtt.Client) -> Inside:
    """The one place that touches the paho client within.

    Switches to manual acknowledgement, notes a resumed session, and lets messages pass whose topic MQTT forbids: some
    brokers deliver them, aiomqtt raises over them, and a message that is never acknowledged comes again for ever.
    """
    inside, inner = Inside(), client._client
    inner.manual_ack_set(True)
    told: Any = inner.on_connect
    heard: Any = inner.on_message

    def on_message(c: Any, userdata: Any, message: Any) -> None:
        try:
            heard(c, userdata, message)
        except ValueError:  # also UnicodeDecodeError
            properties = getattr(message, "properties", None)
            odd = aiomqtt.Message(
                legible(message._topic), message.payload, message.qos, message.retain, message.mid, properties
            )
            client._queue.put_nowait(odd)

    def on_connect(c: Any, userdata: Any, flags: Any, reason: Any, properties: Any = None) -> None:
        inside.session_present = bool(flags.session_present)
        told(c, userdata, flags, reason, properties)

    inner.on_connect = on_connect
    inner.on_message = on_message
    return inside


def legible(topic: bytes) -> str:
    """A topic that is none, as one that can be read and that no stream has."""
    text = topic.decode("utf-8", "backslashreplace").replace("+", "%2B").replace("#", "%23")
    return text or "(no topic)"


def let_go(client: aiomqtt.Client) -> None:
    """Close the socket of a client that is given up: aiomqtt leaves it open, and read, where reading it failed."""
    client._client._sock_close()


def acknowledge(client: aiomqtt.Client, inside: Inside, mid: int, qos: int) -> None:
    """Acknowledge on the living connection; message ids begin anew on the next, where this one would hit another."""
    if inside.alive:
        client._client.ack(mid, qos)


def raise_if_cancelled() -> None:
    """Raise the cancellation that `asyncio.wait_for` (before Python 3.12, and so aiomqtt) lost to an answer."""
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError


@dataclass(slots=True)
class Link:
    """Stays connected; puts what arrives into `inbox`, publishes what it is given while there is a connection."""

    address: BrokerAddress
    settings: Broker
    filters: Sequence[str]
    name: str
    say: Callable[[str], None]
    now: Callable[[], float] = time.time
    inbox: "asyncio.Queue[Received]" = field(default_factory=asyncio.Queue)
    connected: bool = False
    _client: aiomqtt.Client | None = None

    async def stay_connected(self) -> None:
        """Connect, listen, and connect again with a new client whenever the broker went away; ends by cancellation."""
        attempt = 0
        while True:
            raise_if_cancelled()
            client, inside = self._new_client()
            try:
                async with client:
                    attempt = 0
                    await self._listen(client, inside)
            except (aiomqtt.MqttError, OSError, TimeoutError) as error:
                if attempt == 0:
                    self.say(f"no broker at {self.address!r} ({error}); trying again")
            finally:
                inside.alive = self.connected = False
                self._client = None
                let_go(client)
            await asyncio.sleep(AWAY_S[min(attempt, len(AWAY_S) - 1)])
            attempt += 1

    async def publish(self, topic: str, payload: bytes, qos: int = 1, retain: bool = False) -> None:
        """Say something while there is a connection; what is lost here is said again, or stands in the store."""
        client = self._client
        if client is not None:
            with suppress(aiomqtt.MqttError, TimeoutError):
                await client.publish(topic, payload, qos=qos, retain=retain)
            raise_if_cancelled()

    def _new_client(self) -> tuple[aiomqtt.Client, Inside]:
        a = self.address
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = self.settings.session_expiry_s
        properties.ReceiveMaximum = self.settings.receive_maximum
        client = aiomqtt.Client(
            a.host, a.port, username=a.user, password=a.password, tls_context=a.tls_context(), identifier=self.name,
            protocol=aiomqtt.ProtocolVersion.V5, clean_start=False, properties=properties,
            timeout=ANSWER_S, keepalive=KEEPALIVE_S,
        )  # fmt: skip
        client.pending_calls_threshold = 1000
        return client, reach_inside(client)

    async def _listen(self, client: aiomqtt.Client, inside: Inside) -> None:
        if not inside.session_present:
            for topics in self.filters:
                await client.subscribe(topics, options=SubscribeOptions(qos=1, noLocal=True))
                raise_if_cancelled()
        self.connected, self._client = True, client
        resumed = ", session resumed" if inside.session_present else ""
        self.say(f"connected to {self.address!r} as {self.name}{resumed}")
        async for message in client.messages:
            topic = str(message.topic)
            done = partial(acknowledge, client, inside, message.mid, message.qos)
            if topic.split("/")[2:3] == [MONITOR]:
                self.inbox.put_nowait(Received(None, done))
                continue
            payload = message.payload if isinstance(message.payload, bytes) else str(message.payload).encode()
            arrival = Arrival(topic, payload, self.now(), bool(message.retain))
            self.inbox.put_nowait(Received(arrival, done))
