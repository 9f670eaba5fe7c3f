"""`everymetre contract --try`: the conformance test against anyone's publisher, with a broker of its own."""

import asyncio
import socket
import sys
import time
from dataclasses import dataclass

from monitor.contract import rules
from monitor.contract.address import BrokerAddress
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Line
from monitor.gateway.conformance.examiner import TRIAL, Do, Examiner, Report
from monitor.gateway.conformance.tap import Tap

TICK_S = 0.1
START_WITHIN_S = 30.0


@dataclass(slots=True)
class Broker:
    """The embedded broker as a process that can be killed and started again."""

    port: int
    process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        """Start it and wait until it says that it runs. Raises OSError where it does not."""
        words = (sys.executable, "-m", "monitor", "broker", "--port", str(self.port))
        self.process = await asyncio.create_subprocess_exec(*words, stdout=asyncio.subprocess.PIPE)
        assert self.process.stdout is not None
        async with asyncio.timeout(START_WITHIN_S):
            if not await self.process.stdout.readline():
                raise OSError("the embedded broker of the test did not start")

    async def kill(self) -> None:
        """As a power cut would."""
        if self.process is not None and self.process.returncode is None:
            self.process.kill()
            await self.process.wait()


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


async def examine(configuration: Configuration, line: Line, at: BrokerAddress, seconds: float) -> Examiner:
    """Run the whole trial; returns what was found. Raises OSError where the port is taken."""
    works = configuration.works
    unit_s = seconds / sum(phase.units for phase in TRIAL)
    examiner = Examiner(works.works, line, works.wire, unit_s)
    urgent: list[Report] = []
    first = asyncio.Event()

    def published(topic: str, payload: bytes, qos: int, retain: bool) -> None:
        urgent.extend(examiner.published(topic, payload, qos, retain, time.time()))
        if examiner.messages:
            first.set()

    tap = Tap(lambda: examiner.connected(time.time()), examiner.subscribed, published)
    broker = Broker(_free_pair())
    try:
        await tap.listen(at.host, at.port, broker.port)
        await tap.listen(at.host, at.port + 1, broker.port + 1)
        await broker.start()
        tap.open = True
        print(
            f"listening on {at!r} (MQTT 5) and port {at.port + 1} (MQTT 3.1.1): start the publisher of line "
            f"{line.line} now; the trial takes about {seconds:.0f} s from its first message",
            flush=True,
        )
        await first.wait()
        await _run(examiner, tap, broker, urgent)
    finally:
        tap.close()
        await broker.kill()
    return examiner


async def _run(examiner: Examiner, tap: Tap, broker: Broker, urgent: list[Report]) -> None:
    while True:
        orders = [*urgent, *examiner.tick(time.time())]
        urgent.clear()
        for order in orders:
            if isinstance(order, Report):
                tap.publish(order.topic, order.payload)
            elif order is Do.CUT:
                tap.cut()
            elif order is Do.KILL:
                tap.open = False
                await broker.kill()
                tap.cut()
            elif order is Do.START:
                await broker.start()
                tap.open = True
            else:
                return
        await asyncio.sleep(TICK_S)


def sheet(examiner: Examiner) -> str:
    """What was found, a line a rule, with the evidence under those that were broken."""
    out = [f"contract {rules.VERSION}, line {examiner.line.line}: {examiner.messages} messages"]
    for name, title in rules.titles().items():
        verdict = examiner.verdicts[name]
        word = "BROKEN" if verdict.broken else "kept" if verdict.tried else "not tried"
        out.append(f"{name:<4} {title:<26} {word}")
        out += [f"       {evidence}" for evidence in verdict.broken]
    return "\n".join(out)


def passed(examiner: Examiner) -> bool:
    """Whether no rule was found broken."""
    return not any(verdict.broken for verdict in examiner.verdicts.values())
