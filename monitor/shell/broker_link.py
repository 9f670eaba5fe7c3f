"""The monitor's connection to the broker: messages are acknowledged only after the caller confirms storage."""

import asyncio
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from typing import Protocol

from paho.mqtt.client import MQTTMessage

from monitor.contract.address import BrokerAddress
from monitor.contract.config.works import Broker
from monitor.contract.topics import MONITOR
from monitor.core.arrival import Arrival
from monitor.shell.mqtt_client import Connection, topic_of

AWAY_S = (0.2, 0.5, 1.0, 2.0, 5.0)


@dataclass(frozen=True, slots=True)
class Received:
    """An arrival and how to acknowledge it, only on the connection that it came by.

    `arrival` is None for the monitor's own messages: no data, but it is acknowledged in its turn, since
    acknowledgements must go out in the order of the messages (MQTT 5, 4.6; some brokers hang up otherwise).
    """

    arrival: Arrival | None
    acknowledge: Callable[[], None]


class Transport(Protocol):
    """The connection to a broker as the service uses it."""

    inbox: "asyncio.Queue[Received]"

    async def stay_connected(self) -> None: ...

    async def publish(self, topic: str, payload: bytes, qos: int = 1, retain: bool = False) -> None: ...


@dataclass(slots=True, kw_only=True)
class Link:
    """Stays connected; puts what arrives into `inbox`, publishes while there is a connection."""

    address: BrokerAddress
    settings: Broker
    filters: Sequence[str]
    name: str
    log: Callable[[str], None]
    now: Callable[[], float] = time.time
    inbox: "asyncio.Queue[Received]" = field(default_factory=asyncio.Queue)
    connected: bool = False
    _connection: Connection | None = None

    async def stay_connected(self) -> None:
        """Connect, listen, and connect again whenever the connection is lost; ends by cancellation."""
        attempt = 0
        while True:
            connection = self._new_connection()
            try:
                resumed = await connection.open(self.address, self.settings)
                attempt = 0
                await self._listen(connection, resumed)
            except (OSError, TimeoutError) as error:
                if attempt == 0:
                    self.log(f"no broker at {self.address!r} ({error}); trying again")
            finally:
                self.connected = False
                self._connection = None
                connection.close()
            await asyncio.sleep(AWAY_S[min(attempt, len(AWAY_S) - 1)])
            attempt += 1

    async def publish(self, topic: str, payload: bytes, qos: int = 1, retain: bool = False) -> None:
        """Publish while there is a connection; what is lost here is sent again, or is in the store."""
        connection = self._connection
        if connection is not None:
            with suppress(OSError, TimeoutError):
                await connection.publish(topic, payload, qos, retain)

    async def _listen(self, connection: Connection, resumed: bool) -> None:
        for topics in () if resumed else self.filters:
            for refusal in await connection.subscribe(topics):
                self.log(f"the broker at {self.address!r} sends nothing of {topics}: {refusal}")
        self.connected, self._connection = True, connection
        self.log(f"connected to {self.address!r} as {self.name}{', session resumed' if resumed else ''}")
        await connection.lost

    def _new_connection(self) -> Connection:
        def receive(message: MQTTMessage) -> None:
            done = partial(connection.acknowledge, message)
            topic = topic_of(message)
            if topic.split("/")[2:3] == [MONITOR]:
                self.inbox.put_nowait(Received(None, done))
            else:
                arrival = Arrival(topic, bytes(message.payload), self.now(), bool(message.retain))
                self.inbox.put_nowait(Received(arrival, done))

        connection = Connection(self.name, receive)
        return connection
