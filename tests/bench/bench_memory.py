"""Memory and files after an hour's worth of data at high pace: the resident size should not grow with time."""

import tempfile
import time
from pathlib import Path

import psutil

from monitor.contract.config.load import load
from monitor.contract.config.works import Store
from monitor.core.arrival import Arrival
from monitor.core.engine import Engine
from monitor.shell.broker_link import Received
from monitor.shell.processor import Processor
from monitor.store.writer import Writer
from simulator.line import simulate
from simulator.scenario import load_scenario
from tests.bench.works import CONFIGS

T0 = 1_764_000_000.0
MINUTES = 60


def main() -> None:
    """Feed an hour of one simulated line through processor and store; print size by simulated minute and the pace."""
    c = load(CONFIGS)
    scenario = load_scenario(CONFIGS, "demo", c)
    process = psutil.Process()
    with tempfile.TemporaryDirectory() as name:
        store = Store(folder=name)
        c = c.model_copy(update={"works": c.works.model_copy(update={"store": store})})
        writer = Writer(store)
        processor = Processor(configuration=c, writer=writer, engine=Engine.of(c))
        run = simulate(scenario, c, "core-1", T0)
        batch: list[Received] = []
        begun, minute = time.perf_counter(), 0
        for sent in run.messages(until_s=MINUTES * 60.0):
            batch.append(Received(Arrival(sent.topic, sent.payload, sent.send_s), lambda: None))
            if len(batch) == 500:
                writer.write(processor.take(batch, sent.send_s))
                batch = []
            if sent.send_s - T0 >= minute * 60:
                if minute % 15 == 0:
                    processor.roll()
                    wal = Path(name, "record.sqlite-wal").stat().st_size
                    size, files = process.memory_info().rss / 2**20, process.num_fds()
                    print(f"minute {minute:>3}: {size:.0f} MiB resident, WAL {wal / 2**20:.0f} MiB, {files} files open")
                minute += 1
        took = time.perf_counter() - begun
        print(f"{MINUTES * 60 / took:.0f} times real time with the store (one line, simulator included)")
        writer.close()
