"""The conformance test as a client of the site's broker, which can neither cut connections nor kill the broker."""

import asyncio
import os
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.contract.address import BrokerAddress
from monitor.contract.topics import MONITOR, OPERATOR, monitor_topic, subscription
from monitor.gateway.conformance.examiner import Act, Do, Examiner, Report

QUEUED = 2000  # R22: more than brokers queue that were not set up for a monitor
LARGE_BYTES = 2**20
EXPIRY_S = 300
ANSWER_S = 15.0
TOGETHER = 50


@asynccontextmanager
async def connected(examiner: Examiner, at: BrokerAddress) -> AsyncIterator[Act]:
    """Connect and subscribe. Raises OSError where the broker does not accept us, ValueError for another monitor."""
    line = examiner.line.line
    try:
        kept, evidence = await queues(at, monitor_topic(examiner.works, line, "trial"))
        examiner.judge("R22", kept, evidence)
        async with client(at) as one, asyncio.TaskGroup() as group:

            async def act(order: Do | Report) -> None:
                if isinstance(order, Report):
                    await one.publish(order.topic, order.payload)

            options = SubscribeOptions(qos=1, noLocal=True, retainAsPublished=True, retainHandling=2)
            await one.subscribe(subscription(examiner.works, line), options=options)
            listener = group.create_task(_listen(one, examiner))
            yield act
            listener.cancel()
    except* (aiomqtt.MqttError, TimeoutError) as errors:
        raise OSError(f"the broker at {at!r} does not take the test: {errors.exceptions[0]}") from None
    except* ValueError as errors:
        raise errors.exceptions[0] from None


async def _listen(one: aiomqtt.Client, examiner: Examiner) -> None:
    async for message in one.messages:
        topic, payload = str(message.topic), message.payload
        station = topic.split("/")[2]
        if station == MONITOR:
            raise ValueError(f"a monitor of line {examiner.line.line} is at work ({topic}): stop it, or both report")
        if station != OPERATOR and isinstance(payload, bytes):
            examiner.published(topic, payload, message.qos, bool(message.retain), time.time())
    raise ValueError("the broker closed the connection of the test")


async def queues(at: BrokerAddress, topic: str) -> tuple[bool, str]:
    """Whether the broker keeps for a client that is away what it must keep for a monitor (R22), with evidence.

    The client connects as a monitor does, resuming its session: some brokers keep none that began with a clean start.
    """
    name = f"trial-{os.getpid()}-{time.time_ns()}"
    sent = [b"x" * LARGE_BYTES, *(b"%d" % i for i in range(QUEUED))]
    async with client(at, name) as away:
        await away.subscribe(topic, qos=1)
    async with client(at) as publisher:
        for i in range(0, len(sent), TOGETHER):
            await asyncio.gather(*(publisher.publish(topic, payload, qos=1) for payload in sent[i : i + TOGETHER]))
    came: set[object] = set()
    async with client(at, name) as back:
        try:
            while len(came) < len(sent):
                came.add((await asyncio.wait_for(anext(aiter(back.messages)), ANSWER_S)).payload)
        except TimeoutError:
            pass
    async with client(at, name, clean=True, expiry_s=0):
        pass
    lost = [payload for payload in sent if payload not in came]
    large = ", the one of 1 MiB too" if lost[:1] == sent[:1] else ""
    return not lost, f"of {len(sent)} messages for a client that was away {len(lost)} were lost{large}"


def client(at: BrokerAddress, name: str = "", clean: bool = False, expiry_s: int = EXPIRY_S) -> aiomqtt.Client:
    """A client of the broker; with a name its session lasts for a while."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = expiry_s if name else 0
    made = aiomqtt.Client(
        at.host, at.port, username=at.user, password=at.password, tls_context=at.tls_context(),
        identifier=name or None, protocol=aiomqtt.ProtocolVersion.V5, clean_start=clean or not name,
        properties=properties, timeout=ANSWER_S,
    )  # fmt: skip
    made.pending_calls_threshold = 2 * TOGETHER
    return made
