"""Days of a line through processor and store: memory, handles, log and CPU time must not grow. HOURS=168 is a week."""

import os
import tempfile
import time
from pathlib import Path

import psutil

from monitor.contract.config.configuration import Configuration
from monitor.contract.config.load import load
from monitor.contract.config.works import Store
from monitor.core.arrival import Arrival
from monitor.core.engine import Engine
from monitor.shell.broker_link import Received
from monitor.shell.processor import Processor
from monitor.store.writer import Writer
from simulator.line import LineRun, simulate
from simulator.scenario import Scenario, load_scenario
from tests.bench.works import CONFIGS

T0 = 1_764_000_000.0
HOURS = int(os.environ.get("HOURS", "24"))
HOUR_S = 3600.0
ROLL_S = 600.0


def main() -> None:
    """Print size, handles, log, store and CPU seconds for each simulated hour, every sixth hour."""
    c = load(CONFIGS)
    process = psutil.Process()
    with tempfile.TemporaryDirectory() as name:
        c = c.model_copy(update={"works": c.works.model_copy(update={"store": Store(folder=name)})})
        writer = Writer(c.works.store)
        processor = Processor(configuration=c, writer=writer, engine=Engine.of(c))
        drum, metre = 1, 0.0
        begun = time.perf_counter()
        for hour in range(HOURS):
            run = _begin(load_scenario(CONFIGS, "demo", c), c, hour, drum, metre)
            spent = _hour(processor, run)
            drum, metre = run.next_drum, run.reading_m(HOUR_S)
            if hour % 6 == 0 or hour == HOURS - 1:
                wal = Path(name, "record.sqlite-wal").stat().st_size / 2**20
                kept = sum(p.stat().st_size for p in Path(name).rglob("*") if p.is_file()) / 2**20
                size = process.memory_info().rss / 2**20
                print(
                    f"hour {hour:>3}: {size:.0f} MiB resident, {process.num_fds()} files open, WAL {wal:.0f} MiB, "
                    f"store {kept:.0f} MiB, {spent:.1f} s of CPU for the hour",
                    flush=True,
                )
        print(f"{HOURS * HOUR_S / (time.perf_counter() - begun):.0f} times real time, simulator included")
        writer.close()


def _begin(scenario: Scenario, c: Configuration, hour: int, drum: int, metre: float) -> LineRun:
    return simulate(scenario, c, "core-1", T0 + hour * HOUR_S, drum, metre if hour else None, numbering=hour)


def _hour(processor: Processor, run: LineRun) -> float:
    """One simulated hour into the store; returns the CPU seconds that the processor took."""
    batch: list[Received] = []
    rolled_s, spent = 0.0, 0.0
    for sent in run.messages(until_s=HOUR_S):
        batch.append(Received(Arrival(sent.topic, sent.payload, sent.send_s), lambda: None))
        if len(batch) == 500:
            begun = time.process_time()
            processor.writer.write(processor.take(batch, sent.send_s))
            batch = []
            if sent.send_s > rolled_s + ROLL_S:
                rolled_s = sent.send_s
                processor.roll()
            spent += time.process_time() - begun
    processor.writer.write(processor.take(batch, T0))
    return spent


if __name__ == "__main__":
    main()
