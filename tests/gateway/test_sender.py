"""A line's way out: it knocks with the oldest message until that is stored or refused, and stands behind no message."""

import asyncio
from dataclasses import dataclass, field
from typing import Any

import pytest

from monitor.contract.messages import Refused, Stored
from monitor.gateway import sender as module
from monitor.gateway.outbox import Outbox
from monitor.gateway.sender import Sender


@dataclass
class Wire:
    """A broker that takes everything."""

    sent: list[bytes] = field(default_factory=list)
    came: asyncio.Event = field(default_factory=asyncio.Event)

    async def publish(self, topic: str, payload: bytes, qos: int) -> None:
        self.sent.append(payload)
        self.came.set()

    async def until(self, count: int) -> None:
        async with asyncio.timeout(60):
            while len(self.sent) < count:
                self.came.clear()
                await self.came.wait()


@pytest.fixture
def full() -> Sender:
    """A sender with messages 0 to 4 of numbering 7, whose monitor has answered before."""
    one = Sender(Outbox(heard=True))
    for n in range(5):
        one.put("a", n, b"%d" % n, 7)
    return one


async def sending(one: Sender, wire: Any) -> "asyncio.Task[None]":
    return asyncio.create_task(one.send(wire))


async def test_a_refused_message_holds_up_nothing_b1(full: Sender, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "KNOCK_S", 0.01)
    wire = Wire()
    task = await sending(full, wire)
    await wire.until(3)
    assert set(wire.sent) == {b"0"}  # whoever does not answer is not run past
    assert full.refused("a", Refused(0, "expected a finite number", 7))
    await wire.until(len(wire.sent) + 4)
    assert wire.sent[-4:] == [b"1", b"2", b"3", b"4"]
    task.cancel()


async def test_what_is_missing_is_sent_again(full: Sender, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "AGAIN_S", 0.01)
    wire = Wire()
    task = await sending(full, wire)
    await wire.until(1)
    full.stored("a", Stored(n=0, first=0, start=7))
    await wire.until(5)
    full.stored("a", Stored(n=4, first=0, missing=[(2, 2)], start=7))
    wire.sent.clear()
    again = asyncio.create_task(full.again(wire))  # type: ignore[arg-type]
    await wire.until(1)
    assert set(wire.sent) == {b"2"}
    task.cancel()
    again.cancel()
