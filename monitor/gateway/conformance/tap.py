"""A TCP proxy between publishers and a broker that reads MQTT packets, can be cut, and can send packets."""

import asyncio
import ssl
from collections.abc import Callable
from dataclasses import dataclass, field

CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK = 1, 2, 3, 4, 8, 9
RECEIVE_MAXIMUM = 0x21  # property of CONNACK
UNLIMITED = 65535
# Length of the value of each property that may be in CONNACK; -1: two bytes of length before it, -2: two such.
PROPERTIES = {
    0x11: 4, 0x12: -1, 0x13: 2, 0x15: -1, 0x16: -1, 0x1A: -1, 0x1C: -1, 0x1F: -1, 0x21: 2, 0x22: 2, 0x24: 1, 0x25: 1,
    0x26: -2, 0x27: 4, 0x28: 1, 0x29: 1, 0x2A: 1,
}  # fmt: skip


class MalformedError(Exception):
    """The bytes are not MQTT."""


@dataclass(slots=True)
class Frames:
    """Cuts a stream of bytes into whole MQTT control packets."""

    _rest: bytearray = field(default_factory=bytearray)

    def feed(self, data: bytes) -> list[bytes]:
        """Packets that are complete now, each with its fixed header."""
        self._rest += data
        out = []
        while (length := self._length()) is not None and len(self._rest) >= length:
            out.append(bytes(self._rest[:length]))
            del self._rest[:length]
        return out

    def _length(self) -> int | None:
        """Length of the packet at the front, or None while its header is not whole."""
        if len(self._rest) < 2:
            return None
        read = _varint(self._rest, 1)
        return None if read is None else read[1] + read[0]


def _varint(data: bytes | bytearray, at: int) -> tuple[int, int] | None:
    """A variable byte integer and where it ends, or None where it is not whole."""
    value = 0
    for i in range(4):
        if at + i >= len(data):
            return None
        value |= (data[at + i] & 0x7F) << (7 * i)
        if not data[at + i] & 0x80:
            return value, at + i + 1
    raise MalformedError("expected an MQTT packet, got a length of more than four bytes")


def _text(data: bytes, at: int) -> tuple[str, int]:
    size = int.from_bytes(data[at : at + 2], "big")
    return data[at + 2 : at + 2 + size].decode(errors="replace"), at + 2 + size


def _receive_maximum(frame: bytes, at: int) -> int:
    """How many unacknowledged messages a broker allows, from the properties of its CONNACK."""
    read = _varint(frame, at)
    end, at = (read[1] + read[0], read[1]) if read else (at, at)
    while at < end:
        name, size = frame[at], PROPERTIES.get(frame[at])
        at += 1
        if name == RECEIVE_MAXIMUM:
            return int.from_bytes(frame[at : at + 2], "big")
        if size is None:
            break
        for _ in range(-size):
            at = _text(frame, at)[1]
        at += max(size, 0)
    return UNLIMITED


def _body(frame: bytes) -> int:
    return _whole(frame, 1)[1]


def _whole(frame: bytes, at: int) -> tuple[int, int]:
    """A variable byte integer of a packet, and where it ends. MalformedError where the packet ends before."""
    read = _varint(frame, at)
    if read is None:
        raise MalformedError(f"expected a whole MQTT packet, got {frame[:40]!r}")
    return read


@dataclass(slots=True, eq=False, kw_only=True)
class TappedConnection:
    """One connection of a client: what it is by now, from its packets."""

    writer: asyncio.StreamWriter
    on_connected: Callable[[], None]
    on_subscribed: Callable[[str], None]
    on_published: Callable[[str, bytes, int, bool], None]
    on_in_flight: Callable[[int, int], None] = lambda _count, _most: None
    version: int = 5
    filters: set[str] = field(default_factory=set)
    _asked: dict[int, list[str]] = field(default_factory=dict)
    _in_flight: set[int] = field(default_factory=set)  # packets that the broker has not acknowledged
    _receive_maximum: int = UNLIMITED

    def sent(self, frame: bytes) -> None:
        """A packet of the client."""
        kind, at = frame[0] >> 4, _body(frame)
        if kind == CONNECT:
            self.version = frame[_text(frame, at)[1]]
        elif kind == SUBSCRIBE:
            packet, at = int.from_bytes(frame[at : at + 2], "big"), self._behind_properties(frame, at + 2)
            while at < len(frame):
                topics, at = _text(frame, at)
                self._asked.setdefault(packet, []).append(topics)
                at += 1
        elif kind == PUBLISH:
            qos = frame[0] >> 1 & 3
            topic, at = _text(frame, at)
            if qos == 1:
                self._in_flight.add(int.from_bytes(frame[at : at + 2], "big"))
                self.on_in_flight(len(self._in_flight), self._receive_maximum)
            at = self._behind_properties(frame, at + (2 if qos else 0))
            self.on_published(topic, frame[at:], qos, bool(frame[0] & 1))

    def received(self, frame: bytes) -> None:
        """A packet of the broker."""
        kind, at = frame[0] >> 4, _body(frame)
        if kind == CONNACK and frame[at + 1] == 0:
            self._receive_maximum = _receive_maximum(frame, at + 2) if self.version >= 5 else UNLIMITED
            self.on_connected()
        elif kind == PUBACK:
            self._in_flight.discard(int.from_bytes(frame[at : at + 2], "big"))
        elif kind == SUBACK:
            for topics in self._asked.pop(int.from_bytes(frame[at : at + 2], "big"), []):
                self.filters.add(topics)
                self.on_subscribed(topics)

    def publication(self, topic: str, payload: bytes) -> bytes:
        """A packet with a message for the client, QoS 0."""
        name = topic.encode()
        body = len(name).to_bytes(2, "big") + name + (b"\0" if self.version >= 5 else b"") + payload
        size, length = bytearray(), len(body)
        while True:
            size.append(length % 128 | (0x80 if length >= 128 else 0))
            length //= 128
            if not length:
                return bytes([PUBLISH << 4]) + bytes(size) + body

    def _behind_properties(self, frame: bytes, at: int) -> int:
        if self.version < 5:
            return at
        size, end = _whole(frame, at)
        return end + size


@dataclass(slots=True, kw_only=True)
class Tap:
    """Listens where publishers connect and forwards to the broker behind, while it is `open`."""

    on_connected: Callable[[], None]
    on_subscribed: Callable[[str], None]
    on_published: Callable[[str, bytes, int, bool], None]
    on_in_flight: Callable[[int, int], None] = lambda _count, _most: None
    open: bool = False
    _through: asyncio.Event = field(default_factory=asyncio.Event)  # acknowledgements of messages are let through
    _connections: dict[TappedConnection, asyncio.StreamWriter] = field(default_factory=dict)
    _servers: list[asyncio.Server] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._through.set()

    async def listen(self, host: str, port: int, to_port: Callable[[], int], tls: ssl.SSLContext | None = None) -> None:
        """Forward one port to the broker's present one, by TLS if asked. Raises OSError where it is taken."""

        async def forward(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            await self._forward(reader, writer, to_port())

        self._servers.append(await asyncio.start_server(forward, host, port, ssl=tls))

    def cut(self) -> None:
        """Drop all connections."""
        for connection, far in list(self._connections.items()):
            connection.writer.transport.abort()
            far.transport.abort()
        self._connections.clear()

    def hold(self, back: bool) -> None:
        """Keep what the broker sends, acknowledgements above all, or let it through."""
        (self._through.clear if back else self._through.set)()

    def publish(self, topic: str, payload: bytes) -> None:
        """Send a message to every client that has subscribed to it."""
        for connection in list(self._connections):
            if any(matches(topics, topic) for topics in connection.filters):
                connection.writer.write(connection.publication(topic, payload))

    def close(self) -> None:
        """Drop all connections and take no more."""
        for server in self._servers:
            server.close()
        self.cut()

    async def _forward(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, to_port: int) -> None:
        if not self.open:
            return writer.transport.abort()
        try:
            far_reader, far = await asyncio.open_connection("127.0.0.1", to_port)
        except OSError:
            return writer.transport.abort()
        connection = TappedConnection(
            writer=writer,
            on_connected=self.on_connected,
            on_subscribed=self.on_subscribed,
            on_published=self.on_published,
            on_in_flight=self.on_in_flight,
        )
        self._connections[connection] = far
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(_pump(reader, far, connection.sent))
                group.create_task(_pump(far_reader, writer, connection.received, self._through))
        except* (OSError, MalformedError):
            writer.transport.abort()  # one that is lost or is no MQTT: a broker drops it too
            far.transport.abort()
        finally:
            self._connections.pop(connection, None)
        return None


async def _pump(
    reader: asyncio.StreamReader,
    writer: asyncio.StreamWriter,
    seen: Callable[[bytes], None],
    through: asyncio.Event | None = None,
) -> None:
    """Whole packets only, so that others can be put between; none while `through` is not set."""
    frames = Frames()
    while data := await reader.read(65536):
        if through is not None:
            await through.wait()
        for frame in frames.feed(data):
            show(frame, seen)
            writer.write(frame)
        await writer.drain()
    writer.close()


def show(frame: bytes, seen: Callable[[bytes], None]) -> None:
    """Inspect a packet. MalformedError where it is none."""
    try:
        seen(frame)
    except IndexError as error:
        raise MalformedError(f"expected a whole MQTT packet, got {frame[:40]!r}") from error


def matches(topics: str, topic: str) -> bool:
    """Whether a subscription brings a topic."""
    want, have = topics.split("/"), topic.split("/")
    if want[-1] == "#":
        want, have = want[:-1], have[: len(want) - 1]
    return len(want) == len(have) and all(w in ("+", h) for w, h in zip(want, have, strict=True))
