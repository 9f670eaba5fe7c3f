"""What a message costs a consumer that acknowledges by hand: aiomqtt, paho with its thread, paho on asyncio's loop.

A real mosquitto, a publisher that keeps the broker full, a window of 200 as the monitor has, payloads of 50 samples.
"""

import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.bench.consumers import FILTER
from tests.ports import free_port
from tests.shell.brokers import broker

KINDS = ("aiomqtt", "aiomqtt-by-hand", "thread", "thread-to-loop", "connection")
COUNT, ROUNDS = 20_000, 3
PAYLOAD = b'{"start":1790000000000,"n":123456,"t":1790000000000,"dt":20,"v":[' + b",".join([b"123.456"] * 50) + b"]}"


def main() -> None:
    """One row a way: processor a message and messages a second, median of the rounds, ways in turn."""
    with tempfile.TemporaryDirectory() as folder:
        found: dict[str, list[tuple[float, float]]] = {kind: [] for kind in KINDS}
        one = broker("mosquitto", Path(folder), port := free_port()).start()
        try:
            for _ in range(ROUNDS):
                for kind in KINDS:
                    found[kind].append(_measured(kind, port))
        finally:
            one.close()
    for kind, runs in found.items():
        cpu, rate = (median(column) for column in zip(*runs, strict=True))
        print(f"  {kind:<16} {cpu:6.0f} us of processor a message, {rate:6.0f} messages/s")


def _measured(kind: str, port: int) -> tuple[float, float]:
    words = [sys.executable, "-m", "tests.bench.consumers", kind, str(port), str(COUNT)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as consumer:
        assert consumer.stdout is not None
        assert consumer.stdout.readline() == "ready\n"
        _publish(port)
        cpu, rate = consumer.stdout.readline().split()
    return float(cpu), float(rate)


def _publish(port: int) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.max_inflight_messages_set(500)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for _ in range(COUNT):
        sent = client.publish(FILTER.replace("#", "stream"), PAYLOAD, qos=1)
    sent.wait_for_publish(120)
    client.disconnect()
    client.loop_stop()
