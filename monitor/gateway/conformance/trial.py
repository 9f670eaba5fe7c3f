"""`everymetre contract --try`: the conformance test of any publisher, over the site's broker or its own."""

import asyncio
import time
from contextlib import AbstractAsyncContextManager
from pathlib import Path

from monitor.contract import rules
from monitor.contract.address import BrokerAddress
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Line
from monitor.gateway.conformance import own_broker, site_broker
from monitor.gateway.conformance.coverage import BY_OWN_BROKER, BY_SITE_BROKER
from monitor.gateway.conformance.examiner import TRIAL, TRIAL_AS_CLIENT, Act, Do, Examiner, duration_s

TICK_S = 0.1
ANSWER_S = 3.0


async def examine(
    configuration: Configuration, line: Line, at: BrokerAddress, seconds: float, certificates: Path | None = None
) -> Examiner:
    """Run the whole trial; returns what was found. `certificates`: what the test's own broker shows by TLS.

    Raises OSError where neither a broker takes us nor the port can be had, ValueError where a monitor is at work.
    """
    there = await _listens(at)
    if not there and at.tls and certificates is None:
        raise OSError(
            f"no broker at {at!r}, and the test's own one has no certificate: give --certificates with the folder of "
            "make-certificates.sh, or mqtt://HOST:PORT"
        )
    trial = TRIAL_AS_CLIENT if there else TRIAL
    unit_s = seconds / sum(phase.units for phase in trial)
    works = configuration.works
    lines = frozenset(configuration.lines)
    examiner = Examiner(
        works=works.works,
        line=line,
        limits=works.wire,
        unit_s=unit_s,
        trial=trial,
        sees_connections=not there,
        configured=lines,
    )
    wire: AbstractAsyncContextManager[Act]
    if there:
        wire = site_broker.connected(examiner, at)
        what = f"connected to the broker at {at!r} as a client, which can neither cut connections nor kill the broker"
    else:
        wire = own_broker.connected(examiner, at, certificates)
        what = f"no broker at {at!r}: listening on it (MQTT 5) and on port {at.port + 1} (MQTT 3.1.1) with one to kill"
    async with wire as act:
        print(f"{what}; start the publisher of line {line.line} now", flush=True)
        while not examiner.messages:  # noqa: ASYNC110 - the examiner is pure and has no event
            await asyncio.sleep(TICK_S)
        print(f"the first message is there; the trial takes at most {duration_s(trial, unit_s):.0f} s", flush=True)
        await _conduct(examiner, act)
    return examiner


async def _listens(at: BrokerAddress) -> bool:
    """Whether a broker is there already."""
    try:
        async with asyncio.timeout(ANSWER_S):
            _, writer = await asyncio.open_connection(at.host, at.port)
    except (OSError, TimeoutError):
        return False
    writer.close()
    return True


async def _conduct(examiner: Examiner, act: Act) -> None:
    while True:
        for order in examiner.tick(time.time()):
            if order is Do.END:
                return
            await act(order)
        await asyncio.sleep(TICK_S)


def sheet(examiner: Examiner) -> str:
    """What was found, a line a rule: the evidence of what is broken, and what was not tried and why."""
    not_tried = BY_OWN_BROKER if examiner.sees_connections else BY_SITE_BROKER
    out = [f"contract {rules.VERSION}, line {examiner.line.line}: {examiner.messages} messages"]
    for name, title in rules.titles().items():
        verdict = examiner.verdicts[name]
        word = "BROKEN" if verdict.broken else "kept" if verdict.tried else "not tried"
        out.append(f"{name:<4} {title:<26} {word}")
        out += [f"       {evidence}" for evidence in verdict.broken]
        out += [f"       not tried: {reason}" for reason in not_tried.reasons(name, verdict.tried)]
    return "\n".join(out)


def passed(examiner: Examiner) -> bool:
    """Whether no rule was found broken."""
    return not any(verdict.broken for verdict in examiner.verdicts.values())
