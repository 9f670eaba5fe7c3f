"""Reports for publishers of lines that no file of the works describes: by one of the monitors, rate-limited.

A monitor of all lines receives their messages anyway. Where several monitors share the lines, the one of the first
line listens for a few seconds of every minute: a publisher without a report repeats its oldest message.
"""

import asyncio
from collections.abc import Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace

from paho.mqtt.client import MQTTMessage

from monitor.contract import bounds
from monitor.contract.config.configuration import Configuration
from monitor.contract.record import Rejected
from monitor.contract.rules import UNKNOWN_LINE_ANSWERS_PER_S, UNKNOWN_LINES_MAX
from monitor.contract.topics import MONITOR, line_of, parse, subscription
from monitor.core.arrival import Arrival
from monitor.core.decode import number_of, printable
from monitor.shell.broker_link import Link, Received
from monitor.shell.mqtt_client import Connection, topic_of

FORGOTTEN_AFTER_S = 600.0  # a name of which nothing is received makes room
LISTEN_S, EVERY_S = 6.0, 60.0  # a knock is repeated within 5 s (R17)
RECEIVED_MAX = 200  # messages taken of one time of listening


def answers_for_all(configuration: Configuration, lines: Sequence[str]) -> bool:
    """Whether the monitor of these lines is the one that answers for lines that are not configured."""
    return min(configuration.lines) in lines


@dataclass(slots=True, kw_only=True)
class UnknownLines:
    """Refuses for now what is published of lines that are not among `lines`, all that the works has."""

    works: str
    lines: Collection[str]
    _names: dict[str, float] = field(default_factory=dict)  # when each was last received
    _answers: float = UNKNOWN_LINE_ANSWERS_PER_S  # that may be given now
    _since_s: float = 0.0

    def answer(self, rejected: Rejected, arrival: Arrival) -> Rejected:
        """The rejection with the number that its publisher sent, or without one the line, where it may be answered."""
        line = line_of(self.works, arrival.topic)
        if line is None or line in self.lines or not self._may_answer(line, arrival.received_s):
            return rejected
        stream = parse(self.works, arrival.topic)
        number = None if stream is None else number_of(stream, arrival.payload)
        why = f"no line of the name {line} in the configuration; add its file or correct the topic"
        return replace(rejected, why=printable(why, bounds.TEXT), number=number, final=False, unknown_line=line)

    def _may_answer(self, line: str, now_s: float) -> bool:
        passed_s, self._since_s = max(0.0, now_s - self._since_s), now_s
        most = UNKNOWN_LINE_ANSWERS_PER_S
        self._answers = min(most, self._answers + passed_s * most)
        if line not in self._names and len(self._names) >= UNKNOWN_LINES_MAX:
            self._names = {name: t_s for name, t_s in self._names.items() if now_s - t_s < FORGOTTEN_AFTER_S}
        if (line not in self._names and len(self._names) >= UNKNOWN_LINES_MAX) or self._answers < 1.0:
            return False
        self._names[line] = now_s
        self._answers -= 1.0
        return True


@dataclass(slots=True)
class Listener:
    """Now and then a connection of its own, of which the broker keeps nothing, to all lines; see above."""

    link: Link
    works: str
    lines: Collection[str]
    received: int = 0  # this time

    async def listen(self) -> None:
        """Until cancelled. A broker that is away or refuses the subscription is tried again a minute later."""
        while True:
            await asyncio.sleep(EVERY_S - LISTEN_S)
            with suppress(OSError):  # TimeoutError, which ends it, is one
                async with asyncio.timeout(LISTEN_S):
                    await self._receive()

    async def _receive(self) -> None:
        self.received = 0
        connection = Connection(f"{self.link.name}-unknown", self._take)
        try:
            await connection.open(self.link.address, self.link.settings, clean_start=True)
            await connection.subscribe(subscription(self.works, "+"), qos=0)
            await connection.lost
        finally:
            connection.close()

    def _take(self, message: MQTTMessage) -> None:
        topic = topic_of(message)
        line = line_of(self.works, topic)
        if line is None or line in self.lines or topic.split("/")[2] == MONITOR or message.retain:
            return
        self.received += 1
        if self.received <= RECEIVED_MAX:
            self.link.inbox.put_nowait(Received(Arrival(topic, bytes(message.payload), self.link.now()), _nothing))


def _nothing() -> None:
    """What came at QoS 0 is not acknowledged."""
