"""Publishes operator actions over MQTT; the dashboard never writes the store."""

import threading
import time
from collections import Counter
from collections.abc import Callable
from typing import Protocol

import msgspec
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.contract.address import BrokerAddress
from monitor.contract.messages import Action, LimitsStep
from monitor.contract.topics import action_topic, limits_topic

WAIT_S = 5.0


class NotSentError(Exception):
    """The broker did not take the message; the text says what to do."""


class Gateway(Protocol):
    """Sends what a person did to the monitor of a line; raises NotSentError."""

    def send(self, line: str, action: Action | LimitsStep) -> None: ...


def topic_of(works: str, line: str, action: Action | LimitsStep) -> str:
    """The topic that an action goes to."""
    return (limits_topic if isinstance(action, LimitsStep) else action_topic)(works, line)


class Outgoing:
    """What one process of the pages sends: one numbering from its start on, and in each stream 0, 1, 2 ...

    A numbering for each action would fill the monitor's memory of numberings: with two dashboards whose clocks
    differ, it could no longer confirm whether the slower one's are stored.
    """

    def __init__(self, start_ms: int) -> None:
        self._start = start_ms
        self._next: Counter[str] = Counter()

    def encode(self, topic: str, action: Action | LimitsStep) -> bytes:
        """The payload of an action under the next number of its stream; it has to be published in this order."""
        n = self._next[topic]
        self._next[topic] += 1
        return msgspec.json.encode(msgspec.structs.replace(action, start=self._start, n=n))


class ActionNumbers:
    """Marks of this dashboard's actions: the time in ms, and always more than the last one."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._last = 0
        self._lock = threading.Lock()

    def next(self) -> tuple[int, int]:
        """(n, t) of the next action, both in ms."""
        with self._lock:
            t_ms = round(self._clock() * 1e3)
            self._last = max(self._last + 1, t_ms)
            return self._last, t_ms


class MqttGateway:
    """A connection to the broker in the background; each action is published once, with delivery confirmed."""

    def __init__(
        self, works: str, where: BrokerAddress, client_id: str = "", clock: Callable[[], float] = time.time
    ) -> None:
        self._works, self._where = works, where
        self._outgoing, self._lock = Outgoing(round(clock() * 1e3)), threading.Lock()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv5)
        if where.user:
            self._client.username_pw_set(where.user, where.password)
        context = where.tls_context()
        if context is not None:
            self._client.tls_set_context(context)

    def start(self) -> None:
        """Connect in the background and keep trying."""
        self._client.connect_async(self._where.host, self._where.port)
        self._client.loop_start()

    def stop(self) -> None:
        """Disconnect and end the background thread."""
        self._client.disconnect()
        self._client.loop_stop()

    def send(self, line: str, action: Action | LimitsStep) -> None:
        """Publish; raises NotSentError where the broker does not confirm within 5 s."""
        refused = f"Not sent: no broker at {self._where!r}. Nothing was changed; try again when it is back."
        if not self._client.is_connected():
            raise NotSentError(refused)
        topic = topic_of(self._works, line, action)
        with self._lock:
            published = self._client.publish(topic, self._outgoing.encode(topic, action), qos=1)
        try:
            published.wait_for_publish(WAIT_S)
        except (ValueError, RuntimeError) as error:
            raise NotSentError(refused) from error
        if not published.is_published():
            raise NotSentError(f"The broker at {self._where!r} has not confirmed yet; watch the alarm's state.")
