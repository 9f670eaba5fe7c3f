"""A stop that arrives together with an answer is not lost, so that a busy monitor ends when it is asked to."""

import asyncio
from types import SimpleNamespace
from typing import Any

import pytest

from monitor.contract.config.works import Broker
from monitor.shell.broker_link import Link, Received
from monitor.shell.service import Service
from tests.shell.test_stop import StubLink

RECEIVED = Received(None, lambda: None)


async def test_a_stop_that_arrives_with_a_message_ends_the_wait_and_keeps_the_message():
    link = StubLink([])
    link.begin()
    service = Service(processor=SimpleNamespace(), link=link)  # type: ignore[arg-type]  # nothing here touches it
    waiting = asyncio.create_task(service._gather())
    await asyncio.sleep(0.01)
    link.inbox.put_nowait(RECEIVED)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    assert link.inbox.get_nowait() is RECEIVED


class SlowConnection:
    """A connection whose broker answers when the test says so."""

    def __init__(self) -> None:
        self.answer = asyncio.get_running_loop().create_future()

    async def publish(self, *_: Any) -> None:
        await self.answer


async def test_a_stop_that_arrives_with_the_answer_to_a_publication_is_not_lost():
    link = Link(address=None, settings=Broker(), filters=[], name="name", log=print)
    link._connection = connection = SlowConnection()  # type: ignore[assignment]
    publishing = asyncio.create_task(link.publish("tarn/core-1/monitor/alarm", b"{}"))
    await asyncio.sleep(0.01)
    connection.answer.set_result(None)
    publishing.cancel()
    with pytest.raises(asyncio.CancelledError):
        await publishing
