"""Cables pulled, networks and subscribers that stand still, a slow disk: the record is that of an undisturbed run."""

import random
import signal
import sys
import time
from functools import partial

import pytest

from monitor.core.arrival import Arrival
from tests.core.test_pipeline import core_line
from tests.shell.brokers import KINDS, broker, monitor
from tests.shell.proxy import Proxy
from tests.shell.test_kills import Count, gateway, prepared
from tests.shell.works import everything, processor_at, take, until
from tests.store.test_writer import busy

SECONDS = 500
STANDS_S = 12.0  # longer than the keep-alive: whoever waits must notice


@pytest.fixture(scope="module")
def arrivals() -> list[Arrival]:
    return core_line(SECONDS, before=lambda script, s: busy(script, s % 130)).sorted()


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory, arrivals: list[Arrival]) -> dict[str, object]:
    folder = tmp_path_factory.mktemp("undisturbed")
    processor = processor_at(folder)
    take(processor, arrivals)
    processor.writer.write(processor.last_batch())
    processor.roll()
    return everything(folder)


@pytest.mark.parametrize("kind", KINDS)
def test_pulled_and_standing_cables_lose_nothing(tmp_path, arrivals, undisturbed, kind):
    configs, port = prepared(tmp_path)
    count, rng = Count(tmp_path / "run" / "store"), random.Random(3)
    with Proxy(port) as to_monitor, Proxy(port) as to_gateway:
        one = broker(kind, tmp_path, port)
        watch = monitor(configs, tmp_path, "--broker", f"mqtt://127.0.0.1:{to_monitor.port}")
        tells = gateway(tmp_path, to_gateway.port, arrivals)
        try:
            for part in (one, watch, tells):
                part.start()
            for i in range(16):
                seen = min(count() + rng.randint(50, 250), len(arrivals))
                until(partial(count.reached, seen), 60, f"message {seen}")
                (to_monitor, to_gateway)[i % 2].cut()
                if i == 9:
                    stand_still(to_monitor)
            until(lambda: count() >= len(arrivals), 120, f"the last of {len(arrivals)} messages")
            assert watch.end() == 0
        finally:
            for part in (one, watch, tells):
                part.close()
    assert to_monitor.cuts >= 8
    found = everything(tmp_path / "run" / "store")
    for name, value in undisturbed.items():
        assert found[name] == value, name


def test_a_disk_that_takes_long_holds_up_but_loses_nothing(tmp_path, arrivals, undisturbed):
    configs, port = prepared(tmp_path)
    count = Count(tmp_path / "run" / "store")
    one = broker("mosquitto", tmp_path, port)
    watch = monitor(configs, tmp_path)
    watch.words = [sys.executable, "-m", "tests.shell.slow_disk", "--configs", str(configs)]
    tells = gateway(tmp_path, port, arrivals)
    try:
        for part in (one, watch, tells):
            part.start()
        until(lambda: count() >= len(arrivals), 120, f"the last of {len(arrivals)} messages")
        assert watch.end() == 0
    finally:
        for part in (one, watch, tells):
            part.close()
    found = everything(tmp_path / "run" / "store")
    for name, value in undisturbed.items():
        assert found[name] == value, name


@pytest.mark.parametrize("kind", KINDS)
def test_a_monitor_that_stands_for_a_minute_misses_nothing(tmp_path, arrivals, undisturbed, kind):
    """Stopped by a signal, connected all the while: the broker's queue and then the gateway's outbox hold the rest."""
    configs, port = prepared(tmp_path)
    count = Count(tmp_path / "run" / "store")
    parts = (broker(kind, tmp_path, port), monitor(configs, tmp_path), gateway(tmp_path, port, arrivals))
    watch = parts[1]
    try:
        for part in parts:
            part.start()
        until(lambda: count() >= 500, 60, "the first 500 messages")
        watch.process.send_signal(signal.SIGSTOP)
        wait(60.0)
        held = count()
        watch.process.send_signal(signal.SIGCONT)
        assert held < len(arrivals) / 2
        until(lambda: count() >= len(arrivals), 120, f"the last of {len(arrivals)} messages")
        assert watch.end() == 0
    finally:
        for part in parts:
            part.close()
    found = everything(tmp_path / "run" / "store")
    for name, value in undisturbed.items():
        assert found[name] == value, name


def wait(s: float) -> None:
    deadline = time.monotonic() + s
    until(lambda: time.monotonic() >= deadline, s + 5)


def stand_still(proxy: Proxy) -> None:
    """A network that neither carries nor breaks."""
    proxy.flowing.clear()
    wait(STANDS_S)
    proxy.flowing.set()
