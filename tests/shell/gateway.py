"""A gateway for the tests by killing: tells a script from a file through the publisher's own way out, on disk.

A new start goes on behind the newest number that was written down, at the script's pace from there, or where
`keeps_pace` says so as late as it is, as a gateway does whose instruments went on. Usage: python -m tests.shell.gateway
FILE.json
"""

import asyncio
import json
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import cast

from monitor.contract.address import BrokerAddress
from simulator.line import LineRun, Sent
from simulator.pace import Pace
from simulator.publisher import Publisher
from simulator.truth import Truth

LATER_S = 1e7


@dataclass
class ScriptRun:
    """What a publisher wants of a run, told from a file of [send_s, topic, n, payload]."""

    file: Path
    next_n: dict[str, int] = field(default_factory=dict)
    next_drum: int = 1
    truth: Truth | None = None

    def messages(self, page_s: float = 0.0, until_s: float | None = None) -> Iterator[Sent]:
        with self.file.open() as lines:
            for line in lines:
                send_s, topic, n, payload = json.loads(line)
                if n >= self.next_n.get(topic, 0):
                    yield Sent(send_s, topic, payload.encode())
        yield Sent(send_s + LATER_S, topic, payload.encode())  # never due: until then whoever was away is met again

    def reading_m(self, _: float) -> float:
        return 0.0


class Faster(Pace):
    """The script's time from its first message that is new, so many times faster than real, before it happens too."""

    def due_s(self, stamp_s: float) -> float:
        return self.begun_s + (stamp_s - self.start_s) / self.pace


def main(settings: SimpleNamespace) -> None:
    run = ScriptRun(Path(settings.script))
    address = BrokerAddress(host="127.0.0.1", port=settings.port)
    folder = Path(settings.folder)
    publisher = Publisher(
        works="tarn",
        runs={"core-1": cast(LineRun, run)},
        pace=Faster(settings.speed, 0.0, time.time()),
        until_s=None,
        broker=address,
        log=print,
        truth_folder=None,
        left_folder=folder,
    )
    first = next(run.messages())
    run.next_n = dict(publisher.senders["core-1"].outbox.next_n)
    if settings.keeps_pace:
        publisher.pace = Faster(settings.speed, first.send_s, _begun_s(folder / "begun"))
    else:
        publisher.pace = Faster(settings.speed, next(run.messages()).send_s, time.time())
    asyncio.run(publisher.publish())


def _begun_s(file: Path) -> float:
    """When the first of all starts was."""
    if not file.exists():
        file.write_text(repr(time.time()))
    return float(file.read_text())


if __name__ == "__main__":
    main(SimpleNamespace(**json.loads(Path(sys.argv[1]).read_text())))
