"""From publishing to the alarm, and the monitor's processor time a message, with 2 and with 20 lines of 50 streams."""

import asyncio
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import aiomqtt
import msgspec
import numpy as np
import psutil

from monitor.contract.messages import AlarmReport
from tests.bench import works
from tests.ports import free_port
from tests.shell.works import until

DURATION_S = 40.0
PROBE_S = 0.25
T = {"degC": 25.0, "mm": 3.58, "kV": 6.0, "bar": 150.0, "rpm": 30.0, "%": 50.0, "N": 80.0}


def main() -> None:
    """Print latency percentiles and processor time a message, for both sizes."""
    for lines in (2, 20):
        with tempfile.TemporaryDirectory() as name:
            asyncio.run(_measure(Path(name), lines))


@contextmanager
def part(words: list[str], folder: Path) -> Iterator["subprocess.Popen[bytes]"]:
    """A part of everymetre as a process."""
    with (folder / f"{words[0]}.log").open("wb") as log:
        process = subprocess.Popen([sys.executable, "-m", "monitor", *words], stdout=log, stderr=log)
        try:
            yield process
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(20)


async def _measure(folder: Path, lines: int) -> None:
    port, configs = free_port(), folder / "configs"
    names = works.write(configs, lines, 50, port)
    options = ["--configs", str(configs)]
    with (
        part(["broker", *options], folder),
        part(["monitor", *options, "--store", str(folder / "store")], folder) as monitor,
    ):
        await asyncio.to_thread(_listening, folder / "monitor.log")
        bare = _bare(port)
        before = _cpu_s(monitor.pid)
        async with _client(port) as out, _client(port) as back:
            await back.subscribe("tarn/+/monitor/alarm", qos=0)
            received: list[tuple[int, float]] = []
            listening = asyncio.create_task(_receive(back, received))
            sent, count = await _publish(out, configs, names)
            await asyncio.sleep(2.0)
            listening.cancel()
        spent = _cpu_s(monitor.pid) - before
        bare_spent = _cpu_s(bare.pid)
        bare.send_signal(signal.SIGTERM)
        taken = int((await asyncio.to_thread(bare.communicate))[0] or 0)
    delays = np.array([at - sent[t] for t, at in received if t in sent]) * 1e3
    cores = f"{os.cpu_count()} cores that publisher and broker share"
    print(f"{lines} lines of 50 streams, {count / DURATION_S:.0f} messages/s, {cores}")
    print(
        f"  publish to alarm: p50 {np.percentile(delays, 50):.0f} ms, p99 {np.percentile(delays, 99):.0f} ms, "
        f"most {delays.max():.0f} ms ({len(delays)} of {len(sent)} alarms)"
    )
    print(
        f"  monitor: {spent / count * 1e6:.0f} us of processor a message; bare aiomqtt consumer in the same run: "
        f"{bare_spent / max(taken, 1) * 1e6:.0f} us ({spent / count / (bare_spent / max(taken, 1)):.1f} times)"
    )


def _client(port: int) -> aiomqtt.Client:
    client = aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5, max_inflight_messages=90)
    client.pending_calls_threshold = 10_000
    return client


def _bare(port: int) -> "subprocess.Popen[bytes]":
    return subprocess.Popen([sys.executable, "-m", "tests.bench.bare_consumer", str(port)], stdout=subprocess.PIPE)


def _listening(log: Path) -> None:
    until(lambda: b"connected to" in log.read_bytes(), 20, "the monitor's connection")


def _cpu_s(pid: int) -> float:
    times = psutil.Process(pid).cpu_times()
    return float(times.user + times.system)


async def _receive(client: aiomqtt.Client, received: list[tuple[int, float]]) -> None:
    async for message in client.messages:
        alarm = msgspec.json.decode(message.payload, type=AlarmReport)
        if "/aux-" in alarm.alarm and alarm.state == "unacknowledged":
            received.append((alarm.occurrence, time.time()))


async def _publish(client: aiomqtt.Client, configs: Path, names: list[str]) -> tuple[dict[int, float], int]:
    """Every line: counter and speed at 10 Hz, gauges and others once a second; a probe crosses a limit now and then."""
    numbers: dict[str, int] = {}
    sent: dict[int, float] = {}
    waiting: set[asyncio.Task[None]] = set()
    first_n = round(time.time())

    async def send(line: str, path: str, t: float, v: object, **more: object) -> None:
        topic = f"tarn/{line}/{path}"
        n = numbers[topic] = numbers.get(topic, first_n) + 1
        await client.publish(topic, msgspec.json.encode({"n": n, "t": round(t * 1e3), "v": v, **more}), qos=1)

    aux = works.aux(configs, names[0])
    begun = time.time()
    for line in names:
        drum = {"n": first_n, "t": round(begun * 1e3), "drum": f"{line}-1", "recipe": "core-2g5"}
        await client.publish(f"tarn/{line}/take-up/drum", msgspec.json.encode(drum), qos=1)
    step = 0
    while (now := time.time()) < begun + DURATION_S:
        due: list[tuple[str, str, float, object, dict[str, object]]] = []
        for i, line in enumerate(names):
            due.append((line, "metre-counter/length", now, round(1000 + 230 / 60 * (now - begun), 3), {}))
            due.append((line, "metre-counter/speed", now, 230.0, {}))
            share = aux[(step + i) % 10 :: 10]
            due += [(line, path, now, 25.0 + 0.01 * step % 3, {}) for path in share]
            if (step + i) % 10 == 0:
                due += [(line, f"cold-gauge/diameter-{a}", now - 0.99, [3.58] * 100, {"dt": 10.0}) for a in "xy"]
        if step % round(PROBE_S * 10) == 1:
            probe = (names[step % len(names)], aux[step // 10 % len(aux)])
            t = time.time()
            sent[round(t * 1e3)] = t
            due += [(*probe, t, 150.0, {}), (*probe, t + 0.05, 25.0, {})]
        for line, path, t, v, more in due:
            task = asyncio.create_task(send(line, path, t, v, **more))
            waiting.add(task)
            task.add_done_callback(waiting.discard)
        step += 1
        await asyncio.sleep(max(0.0, begun + step * 0.1 - time.time()))
    await asyncio.gather(*waiting)
    return sent, sum(n - first_n for n in numbers.values())
