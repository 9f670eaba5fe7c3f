"""The wire of the world: a broker that forgets when it dies, a gateway that follows the rules, a link that is cut."""

import asyncio
import contextlib
import random
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from math import inf

import aiomqtt
import msgspec

from monitor.contract.messages import Refused, Stored
from monitor.contract.topics import REFUSED, STORED
from monitor.core.arrival import Arrival
from monitor.gateway.outbox import Outbox
from monitor.gateway.sender import Sender
from monitor.shell.broker_link import Received
from tests.world.stories import Message

INFLIGHT = 40
AWAY_S = 0.3
OVERTAKEN_MAX = 10  # messages that overtake one: two blocks of each stream
QUIET_S = 0.5

Packet = tuple[int, str, bytes]  # id, topic, payload


@dataclass(slots=True)
class Session:
    """What the broker keeps for the monitor: messages not acknowledged yet, in their order."""

    queue: deque[Packet] = field(default_factory=deque)
    sent: int = 0  # of the queue, how many are on the connection
    more: asyncio.Event = field(default_factory=asyncio.Event)


@dataclass(slots=True)
class Broker:
    """Keeps one session for the monitor in memory; a kill loses it.

    `repeat`: the chance that a message comes twice. `reorder`: the chance that others overtake it, of its own stream
    and of others.
    """

    rng: random.Random
    repeat: float
    reorder: float = 0.0
    session: Session | None = None
    alive: bool = True
    generation: int = 0
    up: asyncio.Event = field(default_factory=asyncio.Event)
    receive: Callable[[str, bytes], None] = lambda _topic, _payload: None
    _ids: int = 0
    _overtaken: list[tuple[int, Packet]] = field(default_factory=list)  # with the id that the last to overtake has

    def __post_init__(self) -> None:
        self.up.set()

    def take(self, topic: str, payload: bytes) -> None:
        """A publisher's message; raises MqttError while the broker is away."""
        if not self.alive:
            raise aiomqtt.MqttError("the broker is away")
        if self.session is not None:
            for _ in range(2 if self.rng.random() < self.repeat else 1):
                self._ids += 1
                packet = self._ids, topic, payload
                if self.reorder and self.rng.random() < self.reorder:
                    self._overtaken.append((self._ids + self.rng.randint(1, OVERTAKEN_MAX), packet))
                else:
                    self.session.queue.append(packet)
            self.deliver_overtaken(self._ids)
            self.session.more.set()

    def deliver_overtaken(self, upto_id: float = inf) -> None:
        """Put messages into the session's queue that enough others have overtaken; all where no others come."""
        due = [packet for at, packet in self._overtaken if at <= upto_id]
        if due and self.session is not None:
            self._overtaken = [(at, packet) for at, packet in self._overtaken if at > upto_id]
            self.session.queue.extend(due)

    def kill(self) -> None:
        """Everything it kept is gone."""
        self.alive, self.session = False, None
        self._overtaken.clear()
        self.generation += 1
        self.up.clear()

    def start(self) -> None:
        self.alive = True
        self.up.set()


@dataclass(slots=True)
class CutError(Exception):
    """A connection ended."""


@dataclass(slots=True)
class WorldLink:
    """The monitor's side of the wire, with the three things that the service uses of a real link."""

    broker: Broker
    clock: Callable[[], float]
    inbox: "asyncio.Queue[Received]" = field(default_factory=asyncio.Queue)
    connected: bool = False
    dead: bool = False
    cut: asyncio.Event = field(default_factory=asyncio.Event)

    async def stay_connected(self) -> None:
        while True:
            await self.broker.up.wait()
            self.connected = True
            try:
                await self._listen()
            except CutError:
                pass
            finally:
                self.connected = False
                self.cut.clear()
            await asyncio.sleep(AWAY_S)

    async def publish(self, topic: str, payload: bytes, qos: int = 1, retain: bool = False) -> None:
        if self.connected and self.broker.alive and not self.dead:
            self.broker.receive(topic, payload)

    async def _listen(self) -> None:
        broker, generation = self.broker, self.broker.generation
        if broker.session is None:
            broker.session = Session()
        session, alive = broker.session, [True]
        session.sent = 0
        try:
            while broker.generation == generation and not self.cut.is_set():
                while session.sent < min(len(session.queue), INFLIGHT):
                    mid, topic, payload = session.queue[session.sent]
                    session.sent += 1
                    done = partial(self._acknowledge, session, alive, mid)
                    self.inbox.put_nowait(Received(Arrival(topic, payload, self.clock()), done))
                session.more.clear()
                try:
                    async with asyncio.timeout(QUIET_S):
                        await session.more.wait()
                except TimeoutError:
                    broker.deliver_overtaken()
            raise CutError
        finally:
            alive[0] = False

    def _acknowledge(self, session: Session, alive: Sequence[bool], mid: int) -> None:
        if not alive[0] or self.dead or self.broker.session is not session:
            return
        assert session.queue, "acknowledged twice"
        assert session.queue[0][0] == mid, "acknowledgements must go out in the order of the messages"
        session.queue.popleft()
        session.sent -= 1
        session.more.set()


@dataclass(slots=True)
class Client:
    """What the gateway's sender uses of an MQTT client."""

    broker: Broker
    generation: int

    async def publish(self, topic: str, payload: bytes, qos: int = 1) -> None:
        await asyncio.sleep(0)
        if self.broker.generation != self.generation:
            raise aiomqtt.MqttError("connection lost")
        self.broker.take(topic, payload)


@dataclass(slots=True)
class Gateway:
    """The simulator's own sender over the world's wire: it has each message when the story says, on faster time."""

    broker: Broker
    works: str
    line: str
    messages: Sequence[Message]
    clock: Callable[[], float]
    speed: float
    sender: Sender = field(default_factory=lambda: Sender(outbox=Outbox(most=100_000)))
    cut: asyncio.Event = field(default_factory=asyncio.Event)
    refused: list[tuple[str, int]] = field(default_factory=list)

    async def produce(self) -> None:
        for message in self.messages:
            wait_s = (message.send_s - self.clock()) / self.speed
            if wait_s > 0:
                await asyncio.sleep(wait_s)
            self.sender.put(f"{self.works}/{self.line}/{message.path}", message.n, message.payload)

    async def stay_connected(self) -> None:
        self.broker.receive = self.receive
        while True:
            await self.broker.up.wait()
            client = Client(self.broker, self.broker.generation)
            try:
                async with asyncio.TaskGroup() as group:
                    group.create_task(self.sender.send(client))
                    group.create_task(self.sender.again(client))
                    group.create_task(self._until_cut())
            except* (aiomqtt.MqttError, CutError):
                pass
            await asyncio.sleep(AWAY_S)

    async def _until_cut(self) -> None:
        generation = self.broker.generation
        while not self.cut.is_set() and self.broker.generation == generation:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(0.5):
                    await self.cut.wait()
        self.cut.clear()
        raise CutError

    def receive(self, topic: str, payload: bytes) -> None:
        """What the monitor publishes to its gateways."""
        works, line, kind, *path = topic.split("/")
        about = f"{works}/{line}/{'/'.join(path)}"
        if kind == STORED:
            self.sender.stored(about, msgspec.json.decode(payload, type=Stored))
        elif kind == REFUSED:
            refusal = msgspec.json.decode(payload, type=Refused)
            self.refused.append(("/".join(path), refusal.n))
            self.sender.refused(about, refusal)
