"""A line's way out: it knocks with the oldest message until that is stored or refused, and stands behind no message."""

import asyncio
import itertools
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any

import pytest

from monitor.contract.messages import Refused, Stored
from monitor.contract.rules import EMPTY_REPORT, REPORT_WITHIN_S, UNANSWERED_MAX
from monitor.gateway import sender as module
from monitor.gateway.outbox import Outbox
from monitor.gateway.sender import KNOCK_S, PROBE_S, Sender
from tests.world.loop import VirtualLoop


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
    one = Sender(outbox=Outbox(answered=True))
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
    assert full.refused("a", Refused(n=0, why="expected a finite number", start=7))
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
    again = asyncio.create_task(full.again(wire))
    await wire.until(1)
    assert set(wire.sent) == {b"2"}
    task.cancel()
    again.cancel()


# ---- with given time -----------------------------------------------------------------------------------------------


@dataclass
class TimedWire:
    """A broker that takes everything, and when."""

    sent: list[tuple[float, bytes]] = field(default_factory=list)

    async def publish(self, topic: str, payload: bytes, qos: int) -> None:
        self.sent.append((asyncio.get_running_loop().time(), payload))

    def between(self, start_s: float, end_s: float) -> list[bytes]:
        return [payload for t_s, payload in self.sent if start_s <= t_s < end_s]


def in_given_time(script: Callable[[TimedWire], Coroutine[Any, Any, None]]) -> TimedWire:
    """Run a script to its end; seconds of it take none."""
    wire, loop = TimedWire(), VirtualLoop()
    try:
        loop.run_until_complete(script(wire))
    finally:
        loop.close()
    return wire


def test_the_last_messages_of_a_line_are_sent_again_where_later_ones_are_stored_already_r17() -> None:
    """Their report was lost with the monitor; nothing more came from the line, and they were never sent again."""
    one = Sender(outbox=Outbox(answered=True))
    for topic, count in (("k", 1), ("a", 1), ("b", 5)):
        for n in range(count):
            one.put(topic, n, f"{topic}{n}".encode())

    async def script(wire: TimedWire) -> None:
        tasks = await connected(one, wire)
        await asyncio.sleep(0.5)
        one.stored("b", Stored(n=4, first=0))
        one.stored("k", Stored(n=0, first=0))
        await asyncio.sleep(40.0)
        for task in tasks:
            task.cancel()

    assert b"a0" in in_given_time(script).between(1.0, 0.5 + REPORT_WITHIN_S + 2 * KNOCK_S)


async def connected(one: Sender, wire: TimedWire) -> list["asyncio.Task[None]"]:
    return [asyncio.create_task(one.send(wire)), asyncio.create_task(one.again(wire))]


def test_without_a_report_for_15_s_on_a_living_connection_only_the_oldest_is_sent_r17(full: Sender) -> None:
    async def script(wire: TimedWire) -> None:
        tasks = await connected(full, wire)
        await asyncio.sleep(0.5)
        full.stored("a", Stored(n=3, first=0, start=7))
        await asyncio.sleep(0.5)  # 4 is sent at 0.5 s, and nobody reports it
        for n in range(5, 65):
            full.put("a", n, b"%d" % n, 7)
            await asyncio.sleep(1.0)
        full.stored("a", Stored(n=4, first=0, start=7))
        await asyncio.sleep(1.0)
        for task in tasks:
            task.cancel()

    wire = in_given_time(script)
    silent_s = 0.5 + REPORT_WITHIN_S
    assert wire.between(0.6, silent_s) == [b"%d" % n for n in range(5, 20)]
    knocks = wire.between(silent_s + KNOCK_S, 61.0)
    assert set(knocks) == {b"4"}
    assert len(knocks) >= 40
    rest = wire.between(61.0, 62.0)
    assert rest == [b"%d" % n for n in range(5, 65)]


STALE = [
    ("a", Stored(n=3, first=1, start=7)), ("a", Stored(n=4, first=0, missing=[(0, 0), (2, 2)], start=7)),
    ("a", Stored(n=4, first=0, start=6)), ("b", Stored(n=9, first=0, start=7)), ("line/state", EMPTY_REPORT),
]  # fmt: skip
OTHERS = [
    *STALE,
    ("a", Refused(n=3, why="no number", start=7)),
    ("a", Refused(n=3, why="a clock", start=7, final=False)),
]


@pytest.mark.parametrize(("topic", "report"), OTHERS)
def test_a_knock_ends_with_no_report_but_of_the_message_that_it_waits_for_r17(full: Sender, topic, report) -> None:
    """What was reported of others, before the connection was lost, lets nothing run past it."""

    async def script(wire: TimedWire) -> None:
        tasks = await connected(full, wire)
        await asyncio.sleep(1.5)
        (full.stored if isinstance(report, Stored) else full.refused)(topic, report)
        await asyncio.sleep(60.0)
        full.stored("a", Stored(n=0, first=0, start=7))
        await asyncio.sleep(0.5)
        for task in tasks:
            task.cancel()

    wire = in_given_time(script)
    knocks = wire.between(0.0, 61.4)
    assert set(knocks) == {b"0"}
    assert len(knocks) >= 60
    after = wire.between(61.4, 62.0)
    assert after[0] != b"0"
    assert after == sorted(after)


def test_what_is_put_aside_is_not_probed_while_it_knocks_r17(full: Sender) -> None:
    full.outbox.put_aside(next(iter(full.outbox.after(-1, 1))))

    async def script(wire: TimedWire) -> None:
        tasks = await connected(full, wire)
        for _ in range(4):
            await asyncio.sleep(PROBE_S)
            full.stored("b", Stored(n=9, first=0))
        for task in tasks:
            task.cancel()

    assert set(in_given_time(script).between(0.0, 5 * PROBE_S)) == {b"1"}


def test_a_knock_that_no_report_names_is_put_aside_after_five_r19(full: Sender) -> None:
    async def script(wire: TimedWire) -> None:
        tasks = await connected(full, wire)
        for _ in range(12):
            await asyncio.sleep(0.5)
            full.stored("line/state", EMPTY_REPORT)
            await asyncio.sleep(0.5)
        for task in tasks:
            task.cancel()

    wire = in_given_time(script)
    assert wire.between(0.0, 9.9)[:UNANSWERED_MAX] == [b"0"] * UNANSWERED_MAX
    assert wire.between(0.0, 9.9)[UNANSWERED_MAX:][:2] == [b"1", b"2"]
    assert len(full.outbox) == 5


def test_a_line_that_sends_nothing_does_not_knock(full: Sender) -> None:
    async def script(wire: TimedWire) -> None:
        tasks = await connected(full, wire)
        await asyncio.sleep(0.5)
        full.stored("a", Stored(n=4, first=0, start=7))
        await asyncio.sleep(120.0)
        for task in tasks:
            task.cancel()

    assert in_given_time(script).between(1.0, 120.0) == []


def test_what_cannot_be_stored_now_is_put_aside_and_tried_again(full: Sender) -> None:
    """A stream that the monitor's configuration lacks, the first one of the outbox: the others do not wait for it."""

    async def script(wire: TimedWire) -> None:
        tasks = await connected(full, wire)
        await asyncio.sleep(0.5)
        full.put("b", 0, b"other", 7)
        for n in range(5):
            assert full.refused("a", Refused(n=n, why="line core-1 has no stream 'a'", start=7, final=False))
        await asyncio.sleep(0.1)
        full.stored("b", Stored(n=0, first=0, start=7))
        await asyncio.sleep(PROBE_S + AGAIN)
        full.stored("a", Stored(n=0, first=0, start=7))
        await asyncio.sleep(2 * AGAIN)
        for task in tasks:
            task.cancel()

    wire = in_given_time(script)
    assert b"other" in wire.between(0.5, 0.6)
    assert wire.between(2 * KNOCK_S, PROBE_S) == []
    assert set(wire.between(PROBE_S, PROBE_S + AGAIN)) == {b"0"}
    assert wire.between(PROBE_S + AGAIN, PROBE_S + 3 * AGAIN)[:4] == [b"1", b"2", b"3", b"4"]
    assert len(full.outbox) == 4  # and stay there until they are stored


@dataclass
class Monitor(TimedWire):
    """A broker with a monitor behind it that stores all but some messages, whose numbers it cannot read."""

    sender: Sender | None = None
    unreadable: frozenset[bytes] = frozenset()

    async def publish(self, topic: str, payload: bytes, qos: int) -> None:
        await super().publish(topic, payload, qos)
        n = int(payload)
        report = ("line/state", EMPTY_REPORT) if payload in self.unreadable else (topic, Stored(n=n, first=n, start=7))
        assert self.sender is not None
        asyncio.get_running_loop().call_later(0.5, self.sender.stored, *report)


@pytest.mark.parametrize("count", [1, 3])
def test_a_message_that_no_report_can_name_holds_up_nothing_and_stays(count: int) -> None:
    one = Sender(outbox=Outbox(answered=True), window=5)
    unreadable = [b"%d" % n for n in range(count)]
    wire = Monitor(sender=one, unreadable=frozenset(unreadable))

    async def script(_: TimedWire) -> None:
        for n in range(5):
            one.put("a", n, b"%d" % n, 7)
        tasks = await connected(one, wire)
        for n in range(5, 205):
            one.put("a", n, b"%d" % n, 7)
            await asyncio.sleep(1.0)
        await asyncio.sleep(10.0)
        for task in tasks:
            task.cancel()

    in_given_time(script)
    assert len(one.outbox) == count
    first = {payload: t_s for t_s, payload in reversed(wire.sent)}
    assert set(first) == {b"%d" % n for n in range(205)}
    assert [first[b"%d" % n] for n in range(205)] == sorted(first.values())
    times = [t_s for t_s, payload in wire.sent if payload == b"0"]
    assert UNANSWERED_MAX <= len([t_s for t_s in times if t_s < 100]) <= UNANSWERED_MAX + 2
    late = [t_s for t_s in times if t_s > 100]
    assert late  # tried again
    assert all(b - a >= PROBE_S for a, b in itertools.pairwise(late))


def test_a_message_is_not_put_aside_while_no_reports_come(full: Sender) -> None:
    async def script(wire: TimedWire) -> None:
        tasks = await connected(full, wire)
        await asyncio.sleep(300.0)
        for task in tasks:
            task.cancel()

    assert set(in_given_time(script).between(0.0, 300.0)) == {b"0"}


AGAIN = module.AGAIN_S
