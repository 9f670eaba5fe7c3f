"""One connection to a broker on asyncio's own loop: paho, by the public hooks it has for other loops."""

import asyncio
import ssl
from collections.abc import Callable
from typing import Any, Protocol

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.contract.address import BrokerAddress
from monitor.contract.config.works import Broker

ANSWER_S = 10.0
KEEPALIVE_S = 10
MISC_S = 1.0  # keepalive is looked at so often
BURST = 100  # packets that are read before others have their turn


class ConnectionLostError(OSError):
    """The connection ended, or never came about."""


class Socket(Protocol):
    """A socket of either kind, as paho has them."""

    def fileno(self) -> int: ...

    def close(self) -> None: ...


class Connection:
    """A connection whose messages are acknowledged one by one; when it is lost or closed, it is of no further use.

    `receive` is called with each message, on the loop's thread; it must not raise.
    `lost` is done, with a ConnectionLostError, when the connection has ended.
    """

    def __init__(self, name: str, receive: Callable[[mqtt.MQTTMessage], None]) -> None:
        self.lost: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.lost.add_done_callback(_seen)
        self._loop = asyncio.get_running_loop()
        self._connected: asyncio.Future[bool] = self._loop.create_future()
        self._connected.add_done_callback(_seen)
        self._answers: dict[int, asyncio.Future[list[str]]] = {}
        self._receive = receive
        self._packets = 0
        self._misc: asyncio.TimerHandle | None = None
        self._paho = paho = mqtt.Client(
            CallbackAPIVersion.VERSION2, name, protocol=mqtt.MQTTv5, reconnect_on_failure=False, manual_ack=True
        )
        paho.on_connect = self._on_connect
        paho.on_disconnect = self._on_disconnect
        paho.on_message = self._on_message
        paho.on_publish = self._on_publish
        paho.on_subscribe = self._on_subscribe
        paho.on_socket_open = self._on_socket_open
        paho.on_socket_close = self._on_socket_close
        paho.on_socket_register_write = self._on_socket_register_write
        paho.on_socket_unregister_write = self._on_socket_unregister_write

    async def open(self, address: BrokerAddress, settings: Broker, clean_start: bool = False) -> bool:
        """Connect, and keep the session of before; whether the broker still had it. OSError, TimeoutError.

        With `clean_start` there is none of before, and the broker keeps none.
        """
        if address.user is not None:
            self._paho.username_pw_set(address.user, address.password)
        context = address.tls_context()
        if context is not None:
            self._paho.tls_set_context(context)
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 0 if clean_start else settings.session_expiry_s
        properties.ReceiveMaximum = settings.receive_maximum

        def connect() -> None:  # blocks for as long as name, connection and TLS take
            self._paho.connect(address.host, address.port, KEEPALIVE_S, clean_start=clean_start, properties=properties)

        async with asyncio.timeout(ANSWER_S):
            await self._loop.run_in_executor(None, connect)
            return await self._connected

    async def subscribe(self, topic: str, qos: int = 1) -> list[str]:
        """Subscribe to what others publish; returns why the broker will not, or nothing."""
        code, mid = self._paho.subscribe(topic, options=SubscribeOptions(qos=qos, noLocal=True))
        return await self._answer(code, mid)

    async def publish(self, topic: str, payload: bytes, qos: int, retain: bool) -> None:
        """Publish, and wait until the broker has it, or at QoS 0 until it is sent. OSError, TimeoutError."""
        sent = self._paho.publish(topic, payload, qos, retain)
        await self._answer(sent.rc, sent.mid)

    def acknowledge(self, message: mqtt.MQTTMessage) -> None:
        """Acknowledge a message of this connection; nothing once it is lost, for ids begin again on the next."""
        if not self.lost.done():
            self._paho.ack(message.mid, message.qos)

    def close(self) -> None:
        """Send what is to be sent, as far as that needs no waiting, and end."""
        if not self.lost.done():
            self._paho.disconnect()
            self._paho.loop_write()
        self._lose("closed")

    async def _answer(self, code: MQTTErrorCode, mid: int | None) -> list[str]:
        if self.lost.done() or code != MQTTErrorCode.MQTT_ERR_SUCCESS or mid is None:
            raise ConnectionLostError(mqtt.error_string(code))
        answer: asyncio.Future[list[str]] = self._loop.create_future()
        self._answers[mid] = answer
        try:
            async with asyncio.timeout(ANSWER_S):
                return await answer
        finally:
            del self._answers[mid]

    def _answered(self, mid: int, refusals: list[str]) -> None:
        self._packets += 1
        answer = self._answers.get(mid)
        if answer is not None and not answer.done():
            answer.set_result(refusals)

    def _lose(self, why: str) -> None:
        if self.lost.done():
            return
        error = ConnectionLostError(why)
        waits: list[asyncio.Future[Any]] = [self.lost, self._connected, *self._answers.values()]
        for waiting in waits:
            if not waiting.done():
                waiting.set_exception(error)
        if self._misc is not None:
            self._misc.cancel()
        sock = self._paho.socket()
        if sock is not None and sock.fileno() >= 0:
            self._forget(sock)
            sock.close()

    # ---- the socket ------------------------------------------------------------------------------------------------

    def _on_socket_open(self, _paho: object, _data: object, sock: Socket) -> None:
        self._loop.call_soon_threadsafe(self._opened, sock)  # paho connects on another thread

    def _on_socket_register_write(self, _paho: object, _data: object, sock: Socket) -> None:
        self._loop.call_soon_threadsafe(self._add_writer, sock)

    def _on_socket_unregister_write(self, _paho: object, _data: object, sock: Socket) -> None:
        if sock.fileno() >= 0:
            self._loop.remove_writer(sock)

    def _on_socket_close(self, _paho: object, _data: object, sock: Socket) -> None:
        self._forget(sock)

    def _opened(self, sock: Socket) -> None:
        if self.lost.done():  # given up while it was being opened
            sock.close()
            return
        self._loop.add_reader(sock, self._read)
        self._misc = self._loop.call_later(MISC_S, self._keep_alive)

    def _add_writer(self, sock: Socket) -> None:
        if not self.lost.done() and sock.fileno() >= 0:
            self._loop.add_writer(sock, self._write)

    def _forget(self, sock: Socket) -> None:
        if sock.fileno() >= 0:
            self._loop.remove_reader(sock)
            self._loop.remove_writer(sock)

    def _read(self) -> None:
        """All packets that have come: what TLS has read ahead makes no socket readable again."""
        for _ in range(BURST):
            before = self._packets
            if not self._went_well(self._paho.loop_read()):
                return
            sock = self._paho.socket()
            ahead = isinstance(sock, ssl.SSLSocket) and sock.pending()
            if self._packets == before and not ahead:
                return
        self._loop.call_soon(self._read)

    def _write(self) -> None:
        self._went_well(self._paho.loop_write())

    def _keep_alive(self) -> None:
        if self._went_well(self._paho.loop_misc()):
            self._misc = self._loop.call_later(MISC_S, self._keep_alive)

    def _went_well(self, code: MQTTErrorCode) -> bool:
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._lose(mqtt.error_string(code))
        return not self.lost.done()

    # ---- what paho reports -----------------------------------------------------------------------------------------

    def _on_connect(
        self, _paho: object, _data: object, flags: mqtt.ConnectFlags, reason: ReasonCode, _properties: object
    ) -> None:
        self._packets += 1
        if reason.is_failure:
            self._lose(f"refused: {reason}")
        elif not self._connected.done():
            self._connected.set_result(bool(flags.session_present))

    def _on_disconnect(
        self, _paho: object, _data: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        self._lose(str(reason))

    def _on_message(self, _paho: object, _data: object, message: mqtt.MQTTMessage) -> None:
        self._packets += 1
        if not self.lost.done():
            self._receive(message)

    def _on_publish(self, _paho: object, _data: object, mid: int, _reason: object, _properties: object) -> None:
        self._answered(mid, [])

    def _on_subscribe(
        self, _paho: object, _data: object, mid: int, reasons: list[ReasonCode], _properties: object
    ) -> None:
        self._answered(mid, [str(reason) for reason in reasons if reason.is_failure])


def _seen(future: "asyncio.Future[Any]") -> None:
    """An error that nobody waits for is no error of the loop's."""
    if not future.cancelled():
        future.exception()


def topic_of(message: mqtt.MQTTMessage) -> str:
    """The topic; one that MQTT forbids, which some brokers deliver all the same, as `legible` makes it."""
    try:
        topic = message.topic
    except UnicodeDecodeError as error:
        return legible(error.object)
    return legible(topic.encode()) if not topic or "+" in topic or "#" in topic else topic


def legible(topic: bytes) -> str:
    """A topic that is none, as one that can be read and that no stream has."""
    text = topic.decode("utf-8", "backslashreplace").replace("+", "%2B").replace("#", "%23")
    return text or "(no topic)"
