"""The monitor as a process, fed by an outside client over real brokers: good is stored, bad counted, nothing stops."""

import json
import resource
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from sqlalchemy import text

from monitor.contract.config.works import Store
from monitor.contract.topics import Stream
from monitor.store.reader import StoreReader
from tests.core.script import configuration
from tests.shell.brokers import KINDS, broker, ended, everymetre, is_open, monitor, program, publish
from tests.shell.works import configs_at, until


class Works:
    """A broker and a monitor over a store in a folder."""

    def __init__(self, folder: Path, kind: str) -> None:
        self.folder = folder
        self.configs, self.port, _ = configs_at(folder)
        self.broker = broker(kind, folder, self.port)
        self.monitor = monitor(self.configs, folder)
        self.reader = StoreReader(Store(folder=str(folder / "run" / "store")))

    def send(self, path: str, line: str = "core-1", **fields: object) -> None:
        """One message by the outside client, stamped now unless told."""
        publish(self.port, f"tarn/{line}/{path}", json.dumps({"t": round(time.time() * 1e3), **fields}))

    def samples(self, path: str) -> list[float]:
        station, quantity = path.split("/")
        return self.reader.samples(Stream("core-1", station, quantity), 0, 10**15).v.tolist()

    def rejected(self) -> dict[str, int]:
        found: dict[str, int] = {}
        for row in self.reader.rejected():
            found[row.kind] = found.get(row.kind, 0) + row.count
        return found


@pytest.fixture(params=KINDS)
def works(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator["Works"]:
    one = Works(tmp_path, request.param)
    try:
        one.broker.start()
        one.monitor.start()
        yield one
    finally:
        one.monitor.close()
        one.broker.close()


def test_what_an_outside_client_says_is_stored_and_what_is_bad_is_counted(works):
    now = round(time.time() * 1e3)
    works.send("oven-a/temperature", n=0, v=290.5)
    works.send("cold-gauge/diameter-x", n=0, v=[3.58, 3.581, 3.579], dt=10.0, t=now - 100)
    bad = {
        "not JSON": lambda: publish(works.port, "tarn/core-1/oven-a/temperature", b"\xff\x00garbage"),
        "not finite": lambda: publish(
            works.port, "tarn/core-1/oven-a/temperature", f'{{"n": 1, "t": {now}, "v": NaN}}'
        ),
        "too large": lambda: publish(works.port, "tarn/core-1/oven-a/temperature", b"x" * 300_000),
        "wrong type": lambda: works.send("oven-a/temperature", n="one", v=290.0),
        "unknown stream": lambda: works.send("oven-x/temperature", n=0, v=290.0),
        "unknown line": lambda: works.send("oven-a/temperature", line="core-9", n=0, v=290.0),
        "ahead of time": lambda: works.send("oven-a/temperature", n=2, v=290.0, t=now + 3_600_000),
    }
    for one in bad.values():
        one()
    until(lambda: sum(works.rejected().values()) >= len(bad), 20, f"{len(bad)} refused messages ({works.rejected()})")
    works.send("oven-a/temperature", n=3, v=291.5)
    until(lambda: works.samples("oven-a/temperature") == [290.5, 291.5], 20, "both good samples")
    assert works.samples("cold-gauge/diameter-x") == [3.58, 3.581, 3.579]
    assert len(works.rejected()) == len(bad), works.rejected()
    assert works.monitor.alive


def test_stored_up_to_is_reported_after_the_commit_and_to_whoever_repeats(works):
    words = [program("mosquitto_sub"), "-h", "127.0.0.1", "-p", str(works.port), "-V", "mqttv5"]
    words += ["-t", "tarn/core-1/stored/oven-a/temperature", "-C", "2", "-W", "30", "-v"]
    t = round(time.time() * 1e3)
    with subprocess.Popen(words, stdout=subprocess.PIPE) as hearer:

        def reported_after_one_more() -> bool:  # the same message again: stored once, answered each time
            works.send("oven-a/temperature", n=0, t=t, v=290.5)
            return hearer.poll() is not None

        until(reported_after_one_more, 25, "two answers")
        assert hearer.stdout is not None
        lines = hearer.stdout.read().splitlines()
    assert [json.loads(s.split(b" ", 1)[1]) for s in lines] == [{"n": 0, "from": 0}] * 2
    assert works.samples("oven-a/temperature") == [290.5]


def test_what_is_not_stored_is_reported_with_its_kind_and_whether_it_may_be_later_b1(works):
    words = [program("mosquitto_sub"), "-h", "127.0.0.1", "-p", str(works.port), "-V", "mqttv5"]
    words += ["-t", "tarn/core-1/refused/+/+", "-C", "2", "-W", "30"]
    with subprocess.Popen(words, stdout=subprocess.PIPE) as hearer:

        def reported_after_two_more() -> bool:
            works.send("oven-a/temperature", n=4, v="hot")
            works.send("oven-x/temperature", n=7, v=290.0)
            return hearer.poll() is not None

        until(reported_after_two_more, 25, "two refusals")
        assert hearer.stdout is not None
        lines = [json.loads(line) for line in hearer.stdout.read().splitlines()]
    assert {(s["n"], s["kind"], s["final"]) for s in lines} == {(4, "wrong type", True), (7, "unknown stream", False)}


def test_sigterm_ends_it_within_five_seconds_with_everything_stored(works):
    for n in range(5):
        works.send("oven-a/temperature", n=n, v=290.0 + n)
    until(lambda: len(works.samples("oven-a/temperature")) == 5, 20, "five samples")
    begun = time.monotonic()
    assert works.monitor.end(within_s=5.0) == 0
    assert time.monotonic() - begun < 5.0
    assert [row.line for row in works.reader.lines_now()] == ["core-1"]


def test_what_the_monitor_says_of_itself_is_in_the_store(works):
    works.send("oven-a/temperature", n=0, v=290.0)
    until(lambda: any(row.messages for row in works.reader.health()), 20, "its own health")
    (row,) = works.reader.health()
    assert row.monitor == ", ".join(sorted(configuration().lines))
    assert list(row.lines) == sorted(configuration().lines)
    assert row.last_commit_ms is not None
    assert row.disk_free_bytes


def test_a_broker_that_is_not_there_yet_is_waited_for(tmp_path):
    one = Works(tmp_path, "mosquitto")
    one.monitor.ready = lambda: "no broker at" in one.monitor.output
    try:
        one.monitor.start()
        assert not is_open(one.port)
        one.broker.start()
        until(lambda: "connected to" in one.monitor.output, 20, "the connection")
        one.send("oven-a/temperature", n=0, v=290.5)
        until(lambda: one.samples("oven-a/temperature") == [290.5], 20, "the sample")
        assert one.monitor.output.count("no broker at") == 1
    finally:
        one.monitor.close()
        one.broker.close()


def test_while_it_is_away_the_broker_keeps_what_is_reported(works):
    """A persistent session: the outside client gets its acknowledgement from the broker, the monitor the message."""
    works.send("oven-a/temperature", n=0, v=290.0)
    until(lambda: works.samples("oven-a/temperature") == [290.0], 20, "the first sample")
    works.monitor.end()
    works.send("oven-a/temperature", n=1, v=291.0)
    works.monitor.start()
    until(lambda: works.samples("oven-a/temperature") == [290.0, 291.0], 20, "the sample lines meanwhile")
    assert works.samples("oven-a/temperature") == [290.0, 291.0]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--lines", "core-7"], "no line core-7; this plant has core-1, core-2, lay-1"),
        (["--broker", "http://x"], "mqtt://"),
        (["--configs", "/nowhere"], "/nowhere"),
    ],
)
def test_what_cannot_be_done_is_explained_in_a_sentence(tmp_path, words, says):
    configs, *_ = configs_at(tmp_path)
    given = words if "--configs" in words else ["--configs", str(configs), *words]
    done = ended(everymetre("monitor", *given))
    assert done.returncode == 2
    assert says in done.stderr
    assert "Traceback" not in done.stderr


def test_a_full_disk_is_reported_acknowledges_nothing_and_is_recovered_from(works):
    """The monitor's files may not grow any more: as with a full disk, no transaction is committed until they may."""
    works.send("oven-a/temperature", n=0, v=290.0)
    until(lambda: works.samples("oven-a/temperature") == [290.0], 20, "the first sample")
    process = psutil.Process(works.monitor.process.pid)
    process.rlimit(psutil.RLIMIT_FSIZE, (4096, resource.RLIM_INFINITY))
    for n in range(1, 6):
        works.send("oven-a/temperature", n=n, v=290.0 + n)
    until(lambda: "the store cannot be written" in works.monitor.output, 20, "the sentence")
    assert "nothing is acknowledged until it can" in works.monitor.output
    assert works.samples("oven-a/temperature") == [290.0]
    process.rlimit(psutil.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    until(lambda: works.samples("oven-a/temperature") == [290.0 + n for n in range(6)], 20, "all samples")
    assert "the store can be written again" in works.monitor.output
    assert works.monitor.alive


def test_a_reader_that_stays_open_keeps_the_log_bounded_once_it_goes(works, tmp_path):
    """A page that reads for long holds SQLite's log back; when it ends, the log is used anew and does not grow on."""
    works.send("oven-a/temperature", n=0, v=290.0)
    until(lambda: works.samples("oven-a/temperature") == [290.0], 20, "the first sample")
    wal = tmp_path / "run" / "store" / "record.sqlite-wal"
    payload = [290.0] * 5000
    with works.reader.engine.connect() as long_open:
        long_open.execute(text("begin"))
        long_open.execute(text("select count(*) from message")).scalar()
        for n in range(1, 200):
            works.send("oven-a/temperature", n=n, v=payload, dt=0.05, t=round(time.time() * 1e3) - 1000)
        until(lambda: len(works.samples("oven-a/temperature")) > 190 * 1000, 30, "the samples")
    held = wal.stat().st_size
    assert held > 4 * 2**20
    for n in range(200, 400):
        works.send("oven-a/temperature", n=n, v=payload, dt=0.05, t=round(time.time() * 1e3) - 1000)
    until(lambda: len(works.samples("oven-a/temperature")) > 390 * 1000, 30, "the rest of the samples")
    assert wal.stat().st_size < held + 9 * 2**20
