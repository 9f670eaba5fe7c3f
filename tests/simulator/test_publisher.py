"""Against a real broker: nothing is lost while it is away, and what is not stored is said again."""

import asyncio
import json
import shutil
import signal
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import aiomqtt
import pytest

from monitor.contract.address import BrokerAddress
from monitor.contract.topics import Stream
from simulator import resume
from simulator.line import simulate
from simulator.pace import begin
from simulator.publisher import Publisher, reported_stream
from tests.ports import free_port
from tests.simulator.made import CONFIGS, configuration, made

MOSQUITTO = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/opt/homebrew/sbin")


@asynccontextmanager
async def broker(folder: Path, port: int, end: signal.Signals = signal.SIGTERM) -> AsyncIterator[None]:
    config = folder / "broker.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n")
    assert MOSQUITTO is not None
    process = await asyncio.create_subprocess_exec(MOSQUITTO, "-c", str(config), stderr=asyncio.subprocess.DEVNULL)
    try:
        await until_open(port)
        yield
    finally:
        process.send_signal(end)
        await process.wait()


async def until_open(port: int) -> None:
    async with asyncio.timeout(60):
        while True:
            try:
                _, writer = await asyncio.open_connection("127.0.0.1", port)
            except OSError:
                await asyncio.sleep(0.02)
            else:
                writer.close()
                return


class Hearer:
    """A monitor's stand-in: takes what comes, and says "stored" for streams it is told to."""

    def __init__(self, stores: str = "") -> None:
        self.stores = stores
        self.numbers: dict[str, list[int]] = {}
        self.subscribed = asyncio.Event()

    async def listen(self, port: int, wanted: int) -> None:
        async with aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5) as client:
            await client.subscribe("tarn/core-1/+/+", qos=1)
            self.subscribed.set()
            async for message in client.messages:
                assert isinstance(message.payload, bytes)
                topic, n = str(message.topic), json.loads(message.payload)["n"]
                self.numbers.setdefault(topic, []).append(n)
                line, path = topic.split("/", 2)[1:]
                if path.endswith(self.stores):
                    await client.publish(f"tarn/{line}/stored/{path}", json.dumps({"n": n, "from": 0}), qos=1)
                if sum(len(set(ns)) for ns in self.numbers.values()) >= wanted:
                    return


def publisher(port: int, minutes: float, folder: Path | None = None) -> Publisher:
    pace = begin(0.0, 1_764_000_000.0, minutes * 60)
    run = simulate(made(), configuration(), "core-1", pace.start_s)
    until_s = pace.start_s + minutes * 60
    address = BrokerAddress(host="127.0.0.1", port=port)
    logged: list[str] = []
    return Publisher(
        works="tarn",
        runs={"core-1": run},
        pace=pace,
        until_s=until_s,
        broker=address,
        log=logged.append,
        truth_folder=None,
        left_folder=folder,
    )


def expected(minutes: float) -> dict[str, int]:
    run = simulate(made(), configuration(), "core-1", 1_764_000_000.0 - minutes * 60)
    counts: dict[str, int] = {}
    for sent in run.messages(until_s=minutes * 60):
        counts[sent.topic] = counts.get(sent.topic, 0) + 1
    return counts


async def test_every_message_arrives_and_stored_ones_are_forgotten(tmp_path: Path) -> None:
    port, counts = free_port(), expected(1.0)
    async with broker(tmp_path, port), asyncio.timeout(180):
        hearer, one = Hearer("oven-a/temperature"), publisher(port, 1.0, tmp_path / "out")
        listening = asyncio.create_task(hearer.listen(port, sum(counts.values())))
        await hearer.subscribed.wait()
        await one.publish()
        await listening
    assert {topic: sorted(set(ns)) for topic, ns in hearer.numbers.items()} == {
        topic: list(range(count)) for topic, count in counts.items()
    }
    assert "tarn/core-1/oven-b/temperature" in {k.topic for k in one.senders["core-1"].outbox.after(-1, 10_000)}
    left = resume.read(tmp_path / "out", "core-1")
    assert left is not None
    assert left.line_metre_m == pytest.approx(1000 + 60 * 4, abs=0.1)


async def test_nothing_is_lost_while_the_broker_is_away(tmp_path: Path) -> None:
    port, counts = free_port(), expected(0.5)
    one = publisher(port, 0.5)
    async with asyncio.timeout(540):
        publishing = asyncio.create_task(one.publish())  # there is no broker yet
        await asyncio.sleep(0)
        hearer = Hearer()
        async with broker(tmp_path, port):
            listening = asyncio.create_task(hearer.listen(port, sum(counts.values())))
            await publishing
            await hearer.subscribed.wait()
            # What the listener missed before it had subscribed is still kept.
            one._stopping = False
            again = asyncio.create_task(one._stay_connected())
            await listening
            again.cancel()
    assert {topic: sorted(set(ns)) for topic, ns in hearer.numbers.items()} == {
        topic: list(range(count)) for topic, count in counts.items()
    }


async def test_a_broker_that_dies_is_met_again(tmp_path: Path) -> None:
    """In real time, killed in the middle: after its return all that was said is said again, and the run goes on."""
    port, start_s = free_port(), time.time()
    run = simulate(made(), configuration(), "core-1", start_s)
    logged: list[str] = []
    address = BrokerAddress(host="127.0.0.1", port=port)
    one = Publisher(
        works="tarn",
        runs={"core-1": run},
        pace=begin(1.0, start_s, 0.0),
        until_s=start_s + 12.0,
        broker=address,
        log=logged.append,
    )
    async with asyncio.timeout(180):
        async with broker(tmp_path, port, signal.SIGKILL):
            publishing = asyncio.create_task(one.publish())
            first = Hearer("oven-a/temperature")
            await first.listen(port, 10)
        async with broker(tmp_path, port):
            second = Hearer()
            listening = asyncio.create_task(second.listen(port, 10_000))
            await publishing
            listening.cancel()
    assert [text.split()[0] for text in logged] == ["connected", "no", "connected"]
    both = {topic: {*first.numbers.get(topic, []), *ns} for topic, ns in second.numbers.items()}
    assert all(ns == set(range(max(ns) + 1)) for ns in both.values())


def test_which_stream_a_report_is_about() -> None:
    stream = Stream("core-1", "oven-a", "temperature")
    assert reported_stream("tarn", "tarn/core-1/stored/oven-a/temperature") == ("stored", stream)
    assert reported_stream("tarn", "tarn/core-1/refused/oven-a/temperature") == ("refused", stream)
    assert reported_stream("tarn", "other/core-1/stored/oven-a/temperature")[0] == ""
    assert reported_stream("tarn", "tarn/core-1/oven-a/temperature")[0] == ""


async def test_the_command_stops_when_its_lifeline_is_cut(tmp_path: Path) -> None:
    port = free_port()
    async with broker(tmp_path, port), asyncio.timeout(180):
        words = ["simulate", "--configs", str(CONFIGS), "--broker", f"mqtt://127.0.0.1:{port}", "--lifeline"]
        words += ["--state-dir", str(tmp_path / "left")]
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "monitor", *words, stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE
        )
        assert process.stdout is not None
        assert process.stdin is not None
        try:
            assert b"connected" in await process.stdout.readline()
            process.stdin.close()
            assert await process.wait() == 0
        finally:
            if process.returncode is None:
                process.kill()
    lines = ("core-1", "core-2", "lay-1", "sheath-1", "rewind-1", "fire-1")
    assert {path.name for path in (tmp_path / "left").iterdir()} == {
        f"{line}.{kind}" for line in lines for kind in ("json", "outbox")
    }
