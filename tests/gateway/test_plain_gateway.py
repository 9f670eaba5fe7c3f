"""A gateway that was written from the exported rules alone loses nothing where broker and monitor die together (B2)."""

import json
import subprocess
import sys
from collections import Counter
from functools import partial
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from tests.shell.brokers import KINDS, broker, monitor
from tests.shell.works import PATIENCE, configs_at, until

PLAIN = Path(__file__).parent / "plain_gateway.py"
SECONDS, KILLS, MADE_BETWEEN = 24, 3, 30


def stored(folder: Path) -> Counter[tuple[str, int, int]]:
    """(topic, start, n) of every message of the gateway that is on record."""
    engine = create_engine(f"sqlite:///{folder / 'run' / 'store' / 'record.sqlite'}")
    with engine.connect() as connection:
        rows = connection.execute(text("select station, quantity, payload from message where station != 'monitor'"))
        bodies = [(f"tarn/core-1/{station}/{quantity}", json.loads(payload)) for station, quantity, payload in rows]
    return Counter((topic, body["start"], body["n"]) for topic, body in bodies)


def made(log: Path) -> list[tuple[str, int, int]]:
    """(topic, start, n) of every message that the gateway made."""
    return [tuple(json.loads(line)) for line in log.read_text().splitlines()] if log.exists() else []


def reached(log: Path, count: int) -> bool:
    return len(made(log)) >= count


@pytest.mark.parametrize("kind", KINDS)
def test_joint_kills_lose_nothing_and_store_nothing_twice(tmp_path, kind):
    configs, port, _ = configs_at(tmp_path)
    both = broker(kind, tmp_path, port), monitor(configs, tmp_path, "--lines", "core-1")
    log = tmp_path / "log"
    words = [sys.executable, str(PLAIN), str(port), str(SECONDS), str(log)]
    try:
        for one in both:
            one.start()
        with subprocess.Popen(words) as gateway:
            for i in range(KILLS):
                until(partial(reached, log, MADE_BETWEEN * (i + 1)), SECONDS, "more messages")
                for one in both:
                    one.kill()
                for one in both:
                    one.start()
            assert gateway.wait(120 * PATIENCE) == 0
    finally:
        for one in reversed(both):
            one.close()
    assert len(made(log)) > SECONDS * 4
    assert stored(tmp_path) == Counter(made(log))
