"""Publishes runs over MQTT 5: buffers what is not stored and sends it again after an outage of broker or monitor."""

import asyncio
import heapq
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import aiomqtt
import msgspec

from monitor.contract.address import BrokerAddress
from monitor.contract.messages import Refused, Stored
from monitor.contract.topics import REFUSED, STORED, Stream, sample_topic
from monitor.gateway.outbox import DiskOutbox, Outbox
from monitor.gateway.sender import BATCH, Sender
from simulator import cure, resume
from simulator.line import LineRun, Sent
from simulator.pace import Pace

PAGE_S = 2.0
AWAY_S = (0.5, 1.0, 2.0, 5.0)
KEEP_EVERY_S = 0.25
LEFT_EVERY_S = 5.0  # of simulated time
PRESENT_S = 10.0  # a run that is no further behind than this has caught up
ANSWER_S = 10.0
TRUTH_EVERY_S = 30.0

Log = Callable[[str], None]


class _NumberedMessage(msgspec.Struct):
    n: int
    start: int = 0


@dataclass(slots=True, kw_only=True)
class Publisher:
    """One process' share of lines. `now` is the wall clock, given so that tests can."""

    works: str
    runs: Mapping[str, LineRun]
    pace: Pace
    until_s: float | None
    broker: BrokerAddress
    log: Log
    truth_folder: Path | None = None
    left_folder: Path | None = None
    now: Callable[[], float] = time.time
    senders: dict[str, Sender] = field(default_factory=dict)
    published_s: float = 0.0
    _truth_at_s: float = 0.0
    _left_at_s: float = 0.0
    _stopping: bool = False
    _trouble: str = ""
    _put_aside: set[tuple[Stream, str]] = field(default_factory=set)

    def __post_init__(self) -> None:
        for line in self.runs:
            folder = self.left_folder
            self.senders[line] = Sender(outbox=DiskOutbox.at(folder / f"{line}.outbox") if folder else Outbox())
        self.published_s = self.pace.start_s

    async def publish(self) -> None:
        """Until the run is over (and all of it has been taken by the broker), or until cancelled."""
        try:
            async with asyncio.TaskGroup() as group:
                connection = group.create_task(self._stay_connected(), name="connection")
                keeping = group.create_task(self._keep_outboxes(), name="keeping")
                try:
                    await self._produce()
                    await self._all_taken()
                finally:
                    self._stopping = True
                    connection.cancel()
                    keeping.cancel()
        finally:
            self._leave()

    # ---- simulated time ------------------------------------------------------------------------------------

    async def _produce(self) -> None:
        """Put messages into the outbox as they fall due, whether or not there is a broker."""
        for count, (line, sent) in enumerate(self._merged()):
            wait_s = self.pace.due_s(sent.send_s) - self.now()
            if wait_s > 0:
                await asyncio.sleep(wait_s)
            elif count % BATCH == 0:
                await self._room()
            self._put(line, sent)

    def _merged(self) -> Iterator[tuple[str, Sent]]:
        duration_s = None if self.until_s is None else self.until_s - self.pace.start_s
        streams = [_of_line(line, run, duration_s) for line, run in self.runs.items()]
        return heapq.merge(*streams, key=lambda one: one[1].send_s)

    async def _room(self) -> None:
        """A run that catches up waits for the broker, and for a monitor that is known to be there."""
        await asyncio.sleep(0)
        while self.published_s < self.now() - PRESENT_S and self._behind():
            await self._wait_taken()

    def _behind(self) -> bool:
        each = self.senders.values()
        return any(x.behind > 10 * BATCH or (x.outbox.answered and x.outbox.full) for x in each)

    def _put(self, line: str, sent: Sent) -> None:
        numbered = msgspec.json.decode(sent.payload, type=_NumberedMessage)
        self.published_s = max(self.published_s, sent.send_s)
        self.senders[line].put(sent.topic, numbered.n, sent.payload, numbered.start)
        if self.truth_folder and self.now() > self._truth_at_s + TRUTH_EVERY_S:
            self._truth_at_s = self.now()
            self._write_truth()

    async def _all_taken(self) -> None:
        while not all(sender.all_sent for sender in self.senders.values()):
            await self._wait_taken()

    async def _wait_taken(self) -> None:
        """Until something moves, or for a second."""
        for sender in self.senders.values():
            sender.moved.clear()
        waits = [asyncio.ensure_future(sender.moved.wait()) for sender in self.senders.values()]
        await asyncio.wait(waits, timeout=1.0, return_when=asyncio.FIRST_COMPLETED)
        for one in waits:
            one.cancel()

    # ---- what is kept between runs ---------------------------------------------------------------------------

    async def _keep_outboxes(self) -> None:
        while True:
            await asyncio.sleep(KEEP_EVERY_S)
            self._keep_outbox()
            if self.published_s > self._left_at_s + LEFT_EVERY_S:
                self._write_left()

    def _keep_outbox(self) -> None:
        """Write all outboxes down; a full disk is logged once, and once when it is no longer full."""
        trouble = next((t for t in [x.outbox.keep() for x in self.senders.values()] if t), "")
        if bool(trouble) != bool(self._trouble):
            kept = sum(len(x.outbox) for x in self.senders.values())
            self.log(
                f"{trouble}: {kept} messages are kept in memory only" if trouble else "the outbox is on disk again"
            )
        self._trouble = trouble

    def _leave(self) -> None:
        self._keep_outbox()
        self._write_left()
        self._write_truth()
        if self.truth_folder:
            for run in self.runs.values():
                cure.write(run, self.truth_folder)

    def _write_left(self) -> None:
        at_s = self._left_at_s = self.published_s
        for line, run in self.runs.items():
            reading_m = run.reading_m(at_s - self.pace.start_s)
            resume.write(self.left_folder, line, resume.Left(reading_m, run.next_drum, at_s))

    def _write_truth(self) -> None:
        if self.truth_folder:
            for run in self.runs.values():
                run.truth.write(self.truth_folder)

    # ---- the broker -------------------------------------------------------------------------------------------

    async def _stay_connected(self) -> None:
        attempt = 0
        while True:
            try:
                async with self._client() as client:
                    self.log(f"connected to {self.broker!r}")
                    attempt = 0
                    await self._talk(client)
            except (aiomqtt.MqttError, OSError, TimeoutError) as error:
                self._heed_stop()
                if attempt == 0:
                    kept = sum(len(x.outbox) for x in self.senders.values())
                    self.log(f"no broker at {self.broker!r} ({error}); trying again, {kept} messages kept")
            await asyncio.sleep(AWAY_S[min(attempt, len(AWAY_S) - 1)])
            attempt += 1

    def _client(self) -> aiomqtt.Client:
        b = self.broker
        client = aiomqtt.Client(
            b.host,
            b.port,
            username=b.user,
            password=b.password,
            tls_context=b.tls_context(),
            identifier=f"{self.works}-simulator-{'-'.join(self.runs)}"[:60],
            protocol=aiomqtt.ProtocolVersion.V5,
            max_inflight_messages=BATCH,
            timeout=ANSWER_S,
        )
        client.pending_calls_threshold = 2 * BATCH  # it warns of more than ten, which are usual here
        return client

    async def _talk(self, client: aiomqtt.Client) -> None:
        """One connection: listen for what is stored, repeat what is not, then what is new."""
        for line in self.runs:
            self._heed_stop()
            for about in (STORED, REFUSED):
                await client.subscribe(f"{self.works}/{line}/{about}/+/+", qos=1)
        self._heed_stop()
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._listen(client), name="listen")
                for sender in self.senders.values():
                    group.create_task(sender.send(client), name="send")
                    group.create_task(sender.again(client), name="again")
        except* (aiomqtt.MqttError, OSError, TimeoutError) as errors:
            raise errors.exceptions[0] from None

    def _heed_stop(self) -> None:
        """While the client waited for an answer, the answer or an error may have taken the cancellation's place."""
        if self._stopping:
            raise asyncio.CancelledError

    async def _listen(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            if isinstance(message.payload, bytes):
                try:
                    self._take_report(str(message.topic), message.payload)
                except msgspec.DecodeError as error:
                    self.log(f"not understood on {message.topic}: {error}")
        raise aiomqtt.MqttError("the broker closed the connection")

    def _take_report(self, topic: str, payload: bytes) -> None:
        """Forget what the monitor reports as stored or refused. Raises msgspec.DecodeError."""
        about, stream = reported_stream(self.works, topic)
        sender = self.senders.get(stream.line)
        if about == STORED and sender:
            sender.stored(sample_topic(self.works, stream), msgspec.json.decode(payload, type=Stored))
        elif about == REFUSED and sender:
            refusal = msgspec.json.decode(payload, type=Refused)
            if sender.refused(sample_topic(self.works, stream), refusal):
                self._say_refused(stream, refusal)

    def _say_refused(self, stream: Stream, refusal: Refused) -> None:
        """Each that is lost; of those put aside the first of its stream and kind, since the others are like it."""
        if refusal.final:
            self.log(f"{stream}: message {refusal.n} is refused and forgotten: {refusal.why}")
        elif (stream, refusal.kind) not in self._put_aside:
            self._put_aside.add((stream, refusal.kind))
            self.log(f"{stream}: message {refusal.n} is put aside and will be tried again: {refusal.why}")


def _of_line(line: str, run: LineRun, duration_s: float | None) -> Iterator[tuple[str, Sent]]:
    for sent in run.messages(PAGE_S, duration_s):
        yield line, sent


def reported_stream(works: str, topic: str) -> tuple[str, Stream]:
    """What a report is about, `stored` or `refused`, and of which stream; "" where the topic is no report's."""
    parts = topic.split("/")
    if len(parts) != 5 or parts[0] != works or parts[2] not in (STORED, REFUSED):
        return "", Stream("", "", "")
    return parts[2], Stream(parts[1], parts[3], parts[4])
