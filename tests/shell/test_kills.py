"""Monitor, broker and publisher are killed again and again at 500 messages a second: nothing lost, nothing doubled."""

import json
import random
import sys
from functools import partial
from pathlib import Path

import pytest
from sqlalchemy import text

from monitor.contract.config.works import Store
from monitor.core.arrival import Arrival
from monitor.store.database import open_for_reading
from tests.core.script import Script
from tests.core.test_pipeline import core_line
from tests.shell.brokers import KINDS, Process, broker, monitor
from tests.shell.works import configs_at, everything, processor_at, take, until
from tests.store.test_writer import busy

SECONDS = 750
SPEED = 34.0  # 15 messages a second of line time become 500 on the wall
KILLS = ["monitor"] * 10 + ["broker"] * 4 + ["gateway"] * 4 + ["monitor, stopping"] * 4
STOPS_FOR_S = 0.3  # it is killed somewhere in the first of what a stop takes
SEEDS = (7, 8)  # of the order of kills: twice these for each broker, at the same time where workers share the tests


@pytest.fixture(scope="module")
def arrivals() -> list[Arrival]:
    def much(script: Script, s: int) -> None:
        busy(script, s % 130)

    return core_line(SECONDS, before=much).sorted()


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory, arrivals: list[Arrival]) -> dict[str, object]:
    folder = tmp_path_factory.mktemp("undisturbed")
    processor = processor_at(folder)
    take(processor, arrivals)
    processor.writer.write(processor.last_batch())
    processor.roll()
    return everything(folder)


def prepared(folder: Path) -> tuple[Path, int]:
    """Configuration that takes a script of long ago and is not disturbed by minutes of silence: (folder, port)."""
    configs, port, _ = configs_at(folder)
    works = configs / "works.toml"
    works.write_text(works.read_text().replace("behind_max_s = 604800.0", "behind_max_s = 1e9"))
    for path in (configs / "lines").glob("*.toml"):
        path.write_text(path.read_text().replace("after_s = 10.0", "after_s = 1e9"))
    return configs, port


def gateway(
    folder: Path, port: int, arrivals: list[Arrival], speed: float = SPEED, keeps_pace: bool = False
) -> Process:
    script, settings = folder / "script.jsonl", folder / "gateway.json"
    with script.open("w") as out:
        for a in arrivals:
            n = json.loads(a.payload)["n"]
            out.write(json.dumps([a.received_s, a.topic, n, a.payload.decode()]) + "\n")
    options = {
        "script": str(script),
        "folder": str(folder / "left"),
        "port": port,
        "speed": speed,
        "keeps_pace": keeps_pace,
    }
    settings.write_text(json.dumps(options))
    return Process([sys.executable, "-m", "tests.shell.gateway", str(settings)], folder / "gateway.log")


NEWEST = "select max(id) from message"
OWN = "select count(*) from message where station = 'monitor'"  # what the monitor tells itself


class Count:
    """How many messages the store has ever taken of the line: the ledger's and the table's."""

    def __init__(self, store: Path) -> None:
        self.engine = open_for_reading(Store(folder=str(store)))

    def reached(self, count: int) -> bool:
        return self() >= count

    def __call__(self) -> int:
        try:
            with self.engine.connect() as c:
                all_, own = (c.execute(text(q)).scalar() or 0 for q in (NEWEST, OWN))
                return int(all_) - int(own)
        except Exception:  # noqa: BLE001 - not there yet
            return 0


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_lost_or_doubled_whoever_is_killed(tmp_path, arrivals, undisturbed, kind, seed):
    configs, port = prepared(tmp_path)
    store = tmp_path / "run" / "store"
    rng, count = random.Random(seed), Count(store)
    parts = {
        "broker": broker(kind, tmp_path, port),
        "monitor": monitor(configs, tmp_path),
        "gateway": gateway(tmp_path, port, arrivals),
    }
    if (kind, seed) == (KINDS[0], SEEDS[0]):  # killed amid their imports too
        for part in parts.values():
            part.fresh = True
    try:
        for part in parts.values():
            part.start()
        for name in rng.sample(KILLS, len(KILLS)):
            seen = min(count() + rng.randint(20, 350), len(arrivals))
            until(partial(count.reached, seen), 60, f"message {seen} before {name} is killed")
            if name == "monitor, stopping":
                name = "monitor"
                parts[name].kill_while_it_stops(rng.uniform(0.0, STOPS_FOR_S))
            else:
                parts[name].kill()
            parts[name].start()
        until(lambda: count() >= len(arrivals), 120, f"the last of {len(arrivals)} messages ({count()} are there)")
        killed_before_the_end = parts["monitor"].started == 1 + sum(name.startswith("monitor") for name in KILLS)
        assert parts["monitor"].end() == 0
    finally:
        for part in parts.values():
            part.close()
    assert killed_before_the_end
    assert count() == len(arrivals)
    found = everything(store)
    for name, value in undisturbed.items():
        assert found[name] == value, name
