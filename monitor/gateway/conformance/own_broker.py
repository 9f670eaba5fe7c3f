"""The conformance test over its own broker, behind a tap, so that connections can be cut and the broker killed."""

import asyncio
import socket
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

from monitor.contract.address import BrokerAddress
from monitor.gateway.conformance.examiner import Act, Do, Examiner, Report
from monitor.gateway.conformance.strangers import server_context, strangers
from monitor.gateway.conformance.tap import Tap

START_WITHIN_S = 60.0
START_TRIES = 5


@dataclass(slots=True)
class OwnBroker:
    """The embedded broker as a process that can be killed and started again, each time on a `port` found for it."""

    port: int = 0
    process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        """Start it and wait until it reports that it runs. Raises OSError where it does not.

        Between the search for a port and its use another program, or a client's connection, may take it: then it is
        started on another one.
        """
        for _ in range(START_TRIES):
            self.port = _free_pair()
            if await self._runs():
                return
        raise OSError(f"the embedded broker of the test did not start, on none of {START_TRIES} ports")

    async def _runs(self) -> bool:
        words = (sys.executable, "-m", "monitor", "broker", "--port", str(self.port))
        self.process = await asyncio.create_subprocess_exec(*words, stdout=asyncio.subprocess.PIPE)
        assert self.process.stdout is not None
        try:
            async with asyncio.timeout(START_WITHIN_S):
                return bool(await self.process.stdout.readline())
        except TimeoutError:
            await self.kill()
            raise OSError(f"the embedded broker of the test did not start within {START_WITHIN_S:.0f} s") from None

    async def kill(self) -> None:
        """End it as a power cut would."""
        if self.process is not None and self.process.returncode is None:
            self.process.kill()
            await self.process.wait()


@asynccontextmanager
async def connected(examiner: Examiner, at: BrokerAddress, certificates: Path | None = None) -> AsyncIterator[Act]:
    """Listen for publishers at `at` (MQTT 5) and the next port (3.1.1), with `certificates` for an mqtts address.

    Before that, strangers listen, whom a publisher has to turn away. Raises OSError where a port is taken or a
    certificate cannot be had.
    """
    tls = None
    if at.tls and certificates is not None:
        tls = server_context(certificates / "server.crt", certificates / "server.key")
        for what, stranger in strangers(certificates, at.host).items():
            print(f"listening on {at!r} as a broker {what}: start the publisher now", flush=True)
            kept = await stranger.meet(at)
            examiner.judge("R2", kept, f"accepted the certificate of a broker {what}")

    def published(topic: str, payload: bytes, qos: int, retain: bool) -> None:
        examiner.published(topic, payload, qos, retain, time.time())

    tap = Tap(
        on_connected=lambda: examiner.connected(time.time()),
        on_subscribed=examiner.subscribed,
        on_published=published,
        on_in_flight=examiner.in_flight,
    )
    broker = OwnBroker()

    async def act(order: Do | Report) -> None:
        await _act(order, tap, broker)

    try:
        await tap.listen(at.host, at.port, lambda: broker.port, tls)
        await tap.listen(at.host, at.port + 1, lambda: broker.port + 1, tls)
        await broker.start()
        tap.open = True
        yield act
    finally:
        tap.close()
        await broker.kill()


async def _act(order: Do | Report, tap: Tap, broker: OwnBroker) -> None:
    if isinstance(order, Report):
        tap.publish(order.topic, order.payload)
    elif order is Do.CUT:
        tap.cut()
    elif order in (Do.HOLD, Do.RELEASE):
        tap.hold(order is Do.HOLD)
    elif order is Do.KILL:
        tap.open = False
        await broker.kill()
        tap.cut()
    elif order is Do.START:
        await broker.start()
        tap.open = True


def _free_pair() -> int:
    """A port that is free together with the next one, which speaks MQTT 3.1.1."""
    while True:
        with socket.socket() as first, socket.socket() as second:
            first.bind(("127.0.0.1", 0))
            port = int(first.getsockname()[1])
            try:
                second.bind(("127.0.0.1", port + 1))
            except (OSError, OverflowError):
                continue
            return port
