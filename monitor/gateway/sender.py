"""Sends a line's messages: retries the oldest until it is confirmed, then sends the backlog in order, window-limited.

Consumers that were offline get messages in order: newer ones are sent after the older ones, so that what a broker
lost, or delivered to nobody, still arrives in order. A monitor that has never reported may not exist: after a few
attempts everything is sent.
"""

import asyncio
import logging
from dataclasses import dataclass, field
from math import inf
from typing import Protocol

from monitor.contract.messages import Refused, Stored
from monitor.contract.rules import UNANSWERED_MAX
from monitor.gateway.outbox import Outbox, OutboxMessage

BATCH = 80  # unacknowledged at a time: some brokers allow no more than 100
WINDOW = 2000  # sent and not confirmed as stored: the most at a time
KNOCK_S = 1.0
FIRST_KNOCKS = 5  # so many before the first report: a monitor that starts together with its broker needs a moment
AGAIN_S = 15.0  # a message not stored after this is sent again; without any report the oldest is retried alone
PROBE_S = 60.0  # what cannot be stored for now is tried again, one message of each stream

LOG = logging.getLogger("gateway")


class Client(Protocol):
    """An MQTT client as a sender uses it: returns once the broker has taken the message (aiomqtt's `Client` does)."""

    async def publish(self, topic: str, payload: bytes, qos: int) -> None: ...


@dataclass(slots=True, kw_only=True)
class Sender:
    """Sends the outbox of one line over one connection after another."""

    outbox: Outbox
    window: int = WINDOW
    more: asyncio.Event = field(default_factory=asyncio.Event)
    moved: asyncio.Event = field(default_factory=asyncio.Event)
    sent: int = -1
    _reported: asyncio.Event = field(default_factory=asyncio.Event)
    _knocked: OutboxMessage | None = None  # the message that is retried alone
    _through: asyncio.Event = field(default_factory=asyncio.Event)  # it is reported, or put aside
    _knocking: bool = False
    _reports: int = 0
    _sends: dict[int, tuple[int, int]] = field(default_factory=dict)  # by place: of `_count_send`
    _unanswered_s: float | None = None  # when the first message after the newest report was sent

    @property
    def all_sent(self) -> bool:
        """Whether the broker has taken everything."""
        return self.sent >= self.outbox.end - 1

    @property
    def behind(self) -> int:
        """Messages that the broker has not taken yet."""
        return self.outbox.end - 1 - self.sent

    def put(self, topic: str, n: int, payload: bytes, start: int = 0) -> None:
        """One more message."""
        self.outbox.add(topic, n, payload, start)
        self.more.set()

    def stored(self, topic: str, report: Stored) -> None:
        """The monitor reports what it has stored of a stream."""
        waited = self._is_knocked()
        self.outbox.stored(topic, report)
        self._answered(waited)

    def refused(self, topic: str, refusal: Refused) -> bool:
        """The monitor will not store a message, never or not now; whether it was still kept here."""
        waited = self._is_knocked()
        kept = self.outbox.refused(topic, refusal.start, refusal.n, refusal.final)
        self._answered(waited)
        return kept

    def _is_knocked(self) -> bool:
        """Whether the message that is retried alone is in the outbox and nothing has put it aside."""
        return self._knocked is not None and self.outbox.waits(self._knocked)

    def _answered(self, waited: bool) -> None:
        if waited and not self._is_knocked():
            self._through.set()
        self._unanswered_s = None
        self._reports += 1
        self._reported.set()
        self.moved.set()

    async def send(self, client: Client) -> None:
        """For as long as the connection lasts."""
        self.sent = -1
        while True:
            await self._knock(client)
            self.sent = -1
            await self._stream(client)

    async def again(self, client: Client) -> None:
        """A message that was lost on the way while others came through is sent again, and so is what was put aside."""
        probed_s = _now_s()
        while True:
            place = self.sent
            await asyncio.sleep(AGAIN_S)
            if self._knocking or not self.outbox.answered or self._quiet_left_s() <= 0.0:
                continue
            old = [kept for kept in self.outbox.until(place) if not self._is_unanswered(kept)]
            self._sends = {kept.place: self._sends[kept.place] for kept in old}
            if _now_s() >= probed_s + PROBE_S:
                probed_s = _now_s()
                old += self.outbox.probes()
            for i in range(0, len(old), BATCH):
                await publish(client, old[i : i + BATCH])

    def _is_unanswered(self, kept: OutboxMessage) -> bool:
        """Put a message aside that was sent often, with a report after each time, and is named by none."""
        answered, reports = self._sends.get(kept.place, (0, self._reports))
        answered += self._reports > reports
        self._sends[kept.place] = answered, self._reports
        if answered < UNANSWERED_MAX:
            return False
        self.outbox.put_aside(kept)
        LOG.warning("message %d of %s was sent %d times and is in no report; put aside", kept.n, kept.topic, answered)
        return True

    def _awaits_report(self) -> None:
        if self._unanswered_s is None:
            self._unanswered_s = _now_s()

    def _quiet_left_s(self) -> float:
        """How much longer a report may be outstanding before the monitor counts as away."""
        if self._unanswered_s is None or not self.outbox.answered or not self.outbox.waiting(self.sent):
            return inf
        return self._unanswered_s + AGAIN_S - _now_s()

    async def _knock(self, client: Client) -> None:
        """Send the oldest message and no other until a report names it or it is put aside.

        A monitor that has never reported may not exist: then it is sent a few times only.
        """
        self._through.clear()
        self._knocking, sent = True, 0
        try:
            while not self._through.is_set() and (self.outbox.answered or sent < FIRST_KNOCKS):
                self.more.clear()
                self._knocked = next(iter(self.outbox.after(-1, 1)), None)
                if self._knocked is None:
                    await self.more.wait()
                elif self._is_unanswered(self._knocked):
                    return
                else:
                    await publish(client, [self._knocked])
                    sent += 1
                    await _either(self._through, None)
        finally:
            self._knocking, self._knocked = False, None

    async def _stream(self, client: Client) -> None:
        """In order and within a window, until no report has come for a while although messages were sent."""
        self._unanswered_s = None
        while (left_s := self._quiet_left_s()) > 0.0:
            if self.outbox.answered and self.outbox.waiting(self.sent) >= self.window:
                self._reported.clear()
                if not await _either(self._reported, None, min(left_s, AGAIN_S)):
                    return
                continue
            batch = self.outbox.after(self.sent, BATCH)
            if batch:
                self._awaits_report()
                await publish(client, batch)
                self.sent = batch[-1].place
                self._awaits_report()
            else:
                self.sent = self.outbox.end - 1
                self.more.clear()
            self.moved.set()
            if not batch:  # now that all are sent, it is known exactly for how many a report is outstanding
                await _either(self.more, None, self._quiet_left_s())


def _now_s() -> float:
    return asyncio.get_running_loop().time()


async def _either(event: asyncio.Event, more: asyncio.Event | None, within_s: float = KNOCK_S) -> bool:
    """Wait at most so long until the event is set or there is more; whether it was set."""
    waits = [asyncio.ensure_future(e.wait()) for e in (event, more) if e is not None]
    try:
        await asyncio.wait(waits, timeout=None if within_s == inf else within_s, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for one in waits:
            one.cancel()
    return event.is_set()


async def publish(client: Client, batch: list[OutboxMessage]) -> None:
    """Publish, and wait until the broker has taken it."""
    await asyncio.gather(*(client.publish(kept.topic, kept.payload, qos=1) for kept in batch))
