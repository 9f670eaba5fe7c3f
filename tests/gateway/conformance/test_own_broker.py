"""The broker behind the tap starts, and starts again, though its port is taken between the search and its use."""

import asyncio
import socket
from collections.abc import Iterator

import pytest

from monitor.gateway.conformance import own_broker
from monitor.gateway.conformance.own_broker import START_TRIES, OwnBroker
from tests.ports import free_port


@pytest.fixture
def one() -> Iterator[int]:
    with socket.create_server(("127.0.0.1", free_port())) as taken:
        yield taken.getsockname()[1]


async def accepts(port: int) -> bool:
    try:
        _, writer = await asyncio.open_connection("127.0.0.1", port)
    except OSError:
        return False
    writer.close()
    return True


async def test_a_port_that_is_taken_meanwhile_is_passed_over_at_each_start(one, monkeypatch):
    given = [one, free_port(), one, one - 1, free_port()]  # the second of a pair may be the one taken
    monkeypatch.setattr(own_broker, "_free_pair", iter(given).__next__)
    broker = OwnBroker()
    try:
        for expected in (given[1], given[4]):
            await broker.start()
            assert broker.port == expected
            assert await accepts(broker.port)
            assert await accepts(broker.port + 1)
            await broker.kill()
            assert not await accepts(broker.port)
    finally:
        await broker.kill()


async def test_a_broker_that_cannot_start_is_named(one, monkeypatch):
    monkeypatch.setattr(own_broker, "_free_pair", lambda: one)
    with pytest.raises(OSError, match=f"did not start, on none of {START_TRIES} ports"):
        await OwnBroker().start()


async def test_one_that_does_not_answer_in_time_is_ended_and_named(monkeypatch):
    monkeypatch.setattr(own_broker, "START_WITHIN_S", 0.0)
    broker = OwnBroker()
    with pytest.raises(OSError, match="did not start within 0 s"):
        await broker.start()
    assert broker.process is not None
    assert broker.process.returncode is not None
