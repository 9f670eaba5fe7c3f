"""One connection against a real broker: sessions, acknowledgement by hand, what it does when it ends (F8)."""

import ast
import asyncio
import socket
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from paho.mqtt.client import MQTTMessage

from monitor.contract.address import BrokerAddress
from monitor.contract.config.works import Broker
from monitor.shell.mqtt_client import Connection, ConnectionLostError
from tests.ports import free_port
from tests.shell.brokers import KINDS, Process, broker, publish

ROOT = Path(__file__).parents[2]
SETTINGS = Broker(receive_maximum=20)


@pytest.fixture(scope="module", params=KINDS)
def running(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Process, BrokerAddress]]:
    port = free_port()
    one = broker(request.param, tmp_path_factory.mktemp("broker"), port).start()
    yield one, BrokerAddress(host="127.0.0.1", port=port)
    one.close()


@asynccontextmanager
async def connected(
    at: BrokerAddress, name: str
) -> AsyncIterator[tuple[Connection, "asyncio.Queue[MQTTMessage]", bool]]:
    """An open connection, what it receives, and whether its session was resumed."""
    inbox: asyncio.Queue[MQTTMessage] = asyncio.Queue()
    connection = Connection(name, inbox.put_nowait)
    try:
        resumed = await connection.open(at, SETTINGS)
        yield connection, inbox, resumed
    finally:
        connection.close()


async def payloads(inbox: "asyncio.Queue[MQTTMessage]", count: int) -> list[bytes]:
    async with asyncio.timeout(30):
        return [bytes((await inbox.get()).payload) for _ in range(count)]


async def test_what_was_not_acknowledged_comes_again_on_the_next_connection_and_nothing_else(running):
    _, at = running
    async with connected(at, "again") as (connection, inbox, resumed):
        assert not resumed
        assert await connection.subscribe("again/#") == []
        for i in range(5):
            await asyncio.to_thread(publish, at.port, "again/a", f"{i}")
        for _ in range(3):
            connection.acknowledge(await asyncio.wait_for(inbox.get(), 30))
        assert await payloads(inbox, 2) == [b"3", b"4"]
    async with connected(at, "again") as (_, inbox, resumed):
        assert resumed
        assert await payloads(inbox, 2) == [b"3", b"4"]
        assert inbox.empty()


async def test_an_acknowledgement_after_the_end_reaches_no_message_of_the_next_connection(running):
    """Message ids begin again: a late acknowledgement would hit another message, which would be lost."""
    _, at = running
    async with connected(at, "late") as (first, inbox, _):
        await first.subscribe("late/#")
        await asyncio.to_thread(publish, at.port, "late/a", "kept")
        message = await asyncio.wait_for(inbox.get(), 30)
    async with connected(at, "late") as (_, inbox, _):
        first.acknowledge(message)
        assert await payloads(inbox, 1) == [b"kept"]
    async with connected(at, "late") as (_, inbox, _):
        assert await payloads(inbox, 1) == [b"kept"]


async def test_a_broker_that_dies_ends_everything_that_waits(running):
    one, at = running
    async with connected(at, "dies") as (connection, _, _):
        one.kill()
        with pytest.raises(ConnectionLostError):
            await asyncio.wait_for(connection.lost, 30)
        with pytest.raises(ConnectionLostError):
            await connection.publish("a/b", b"", 1, False)
    one.start()


OWN = {"mosquitto": [], "embedded": [b"mine", b"mine at 0"]}  # the embedded broker sends own messages back


async def test_own_messages_do_not_come_back_where_the_broker_knows_how(running):
    one, at = running
    async with connected(at, "own") as (connection, inbox, _):
        await connection.subscribe("own/#")
        await connection.publish("own/a", b"mine", 1, False)
        await connection.publish("own/a", b"mine at 0", 0, False)
        await asyncio.to_thread(publish, at.port, "own/a", "another's")
        expected = [*OWN["embedded" if "broker" in one.words else "mosquitto"], b"another's"]
        assert await payloads(inbox, len(expected)) == expected


async def test_who_speaks_no_mqtt_is_given_up_and_the_socket_closed():
    """Also where the attempt is cancelled while the broker has not answered."""
    with socket.create_server(("127.0.0.1", free_port())) as silent:
        at = BrokerAddress(host="127.0.0.1", port=silent.getsockname()[1])
        connection = Connection("silent", lambda _: None)
        opening = asyncio.create_task(connection.open(at, SETTINGS))
        accepted, _ = await asyncio.to_thread(silent.accept)
        assert await asyncio.to_thread(accepted.recv, 1) == b"\x10"  # CONNECT
        opening.cancel()
        with pytest.raises(asyncio.CancelledError):
            await opening
        connection.close()
        accepted.settimeout(10)
        while await asyncio.to_thread(accepted.recv, 4096):
            pass
        accepted.close()


async def test_a_port_where_nobody_listens_is_an_error_that_names_it():
    connection = Connection("nobody", lambda _: None)
    with pytest.raises(OSError, match="refused"):
        await connection.open(BrokerAddress(host="127.0.0.1", port=free_port()), SETTINGS)
    connection.close()
    assert isinstance(connection.lost.exception(), ConnectionLostError)


MQTT_CLIENTS = {"aiomqtt", "paho"}


def private_uses(source: str) -> list[str]:
    """Private attributes of another object than `self` or `cls` in a module that imports an MQTT client."""
    tree = ast.parse(source)
    imports = [n for n in ast.walk(tree) if isinstance(n, ast.Import | ast.ImportFrom)]
    roots = {name.partition(".")[0] for n in imports for name in [getattr(n, "module", None) or n.names[0].name]}
    if not roots & MQTT_CLIENTS:
        return []
    return [
        ast.unparse(n)
        for n in ast.walk(tree)
        if isinstance(n, ast.Attribute)
        and n.attr.startswith("_")
        and not n.attr.startswith("__")
        and not (isinstance(n.value, ast.Name) and n.value.id in ("self", "cls"))
    ]


def test_no_private_part_of_an_mqtt_client_is_used():
    """F8: the monitor's link used aiomqtt's inner client, its queue and paho's socket."""
    assert private_uses("import aiomqtt\nclient._client.ack(1, 1)\nself._mine") == ["client._client"]
    for package in ("monitor", "simulator", "dashboard"):
        for module in (ROOT / package).rglob("*.py"):
            assert private_uses(module.read_text(encoding="utf-8")) == [], module
