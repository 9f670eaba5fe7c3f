"""The readme's guide for a large works, tried as a whole: fifty lines, five monitors, PostgreSQL, TLS and topics."""

import asyncio
import shutil
import ssl
import subprocess
from collections.abc import Iterator, Sequence
from pathlib import Path

import aiomqtt
import pytest

from monitor.contract.config.works import Store
from monitor.core.arrival import Arrival
from monitor.store.database import open_for_reading
from monitor.store.reader import StoreReader
from tests.bench import works
from tests.core.script import CONFIGS
from tests.core.test_pipeline import core_line
from tests.ports import free_port
from tests.shell import postgres
from tests.shell.brokers import Process, is_open, monitor, program
from tests.shell.works import PATIENCE, numbers_stored, until

LINES, MONITORS, SECONDS = 50, 5, 20
SECRET = "a secret of this test"


class Works:
    """Everything of the guide in one folder."""

    def __init__(self, folder: Path, server: str) -> None:
        self.folder, self.port = folder, free_port()
        self.names = works.write(folder / "configs", LINES, 0, self.port)
        self.store = Store(folder=str(folder / "shared"), database_url=postgres.database_for(server, str(folder)))
        subprocess.run([CONFIGS / "make-certificates.sh", folder / "tls", "localhost"], check=True, capture_output=True)
        self.reading = open_for_reading(self.store)  # one for all looks: the server has room for a hundred connections
        self.ca = folder / "tls" / "ca.crt"
        self._people()
        self._configure()
        self.broker = Process(
            [program("mosquitto"), "-c", str(folder / "mosquitto.conf")],
            folder / "broker.log",
            lambda: is_open(self.port),
        )
        self.monitors = []
        for i in range(MONITORS):
            at = folder / f"monitor-{i}"
            at.mkdir()
            self.monitors.append(monitor(folder / "configs", at, "--lines", ",".join(self.names[i::MONITORS])))

    def _people(self) -> None:
        passwords = self.folder / "passwords"
        passwords.touch()
        whole = (CONFIGS / "mosquitto.acl").read_text()
        gateway, rest = whole.split("# A monitor receives", 1)
        acl = [gateway.replace("core-1", name) for name in self.names] + ["# A monitor receives" + rest]
        (self.folder / "acl").write_text("\n".join(acl))
        for name in ["monitor", *(f"gateway-{line}" for line in self.names)]:
            subprocess.run([program("mosquitto_passwd"), "-b", str(passwords), name, SECRET], check=True)

    def _configure(self) -> None:
        f = self.folder
        production = (CONFIGS / "mosquitto.conf").read_text()
        for was, now in {
            "/var/lib/mosquitto/": f"{f}/", "/etc/mosquitto/passwords": f"{f}/passwords",
            "/etc/mosquitto/acl": f"{f}/acl", "listener 8883": f"listener {self.port} 127.0.0.1\nuser root",
            "/etc/mosquitto/": f"{f}/tls/",
        }.items():  # fmt: skip
            production = production.replace(was, now)
        (f / "mosquitto.conf").write_text(production)
        (f / "password").write_text(SECRET)
        broker = f'url = "mqtts://localhost:{self.port}"\nuser = "monitor"\npassword_file = "{f}/password"\n'
        broker += f'ca_file = "{self.ca}"'
        path = f / "configs" / "works.toml"
        text = path.read_text().replace(f'url = "mqtt://127.0.0.1:{self.port}"', broker)
        text = text.replace("behind_max_s = 604800.0", "behind_max_s = 1e9")
        kept = f'folder = "{self.store.folder}"\ndatabase_url = "{self.store.database_url}"'
        path.write_text(text.replace('folder = ".run/store"', kept))

    async def publish(self, line: str, arrivals: Sequence[Arrival]) -> None:
        """A gateway by its own name; the broker has taken everything when it ends."""
        client = aiomqtt.Client(
            "localhost", self.port, username=f"gateway-{line}", password=SECRET,
            tls_context=ssl.create_default_context(cafile=str(self.ca)), protocol=aiomqtt.ProtocolVersion.V5,
            max_inflight_messages=50, timeout=60 * PATIENCE,
        )  # fmt: skip
        client.pending_calls_threshold = 10_000
        async with client:
            for i in range(0, len(arrivals), 50):
                part = [(a.topic.replace("/core-1/", f"/{line}/"), a.payload) for a in arrivals[i : i + 50]]
                await asyncio.gather(*(client.publish(topic, payload, qos=1) for topic, payload in part))

    async def publish_all(self, arrivals: Sequence[Arrival]) -> None:
        await asyncio.gather(*(self.publish(line, arrivals) for line in self.names))

    def close(self) -> None:
        for one in (*self.monitors, self.broker):
            one.close()
        self.reading.dispose()


@pytest.fixture
def fifty(tmp_path: Path, server: str) -> Iterator[Works]:
    one = Works(tmp_path, server)
    try:
        yield one
    finally:
        one.close()


def test_fifty_lines_five_monitors_one_store_and_a_backup_that_was_tried(fifty, server):
    arrivals = core_line(SECONDS).sorted()
    half = len(arrivals) // 2
    fifty.broker.start()
    for one in fifty.monitors:
        one.start()
    asyncio.run(fifty.publish_all(arrivals[:half]))
    fifty.monitors[2].kill()  # one dies in the middle and comes back; the broker keeps what is said meanwhile
    asyncio.run(fifty.publish_all(arrivals[half:]))
    fifty.monitors[2].start()
    wanted = dict.fromkeys(fifty.names, len(arrivals))
    until(lambda: numbers_stored(fifty.reading) == wanted, 90, f"every message of fifty lines, {len(arrivals)} each")
    for one in fifty.monitors:
        assert one.end(within_s=60) == 0, one.output
    before = record(fifty.store, fifty.names)
    assert len({repr(one) for one in before.values()}) == 1  # fifty lines that said the same have the same record
    assert len(before[fifty.names[0]][0]) == 1  # its drum
    url = str(fifty.store.database_url)
    dump = subprocess.run([postgres.program("pg_dump"), "--format=custom", url], capture_output=True, check=True).stdout
    copy = Store(folder=str(fifty.folder / "restored"), database_url=postgres.database_for(server, "fifty restored"))
    shutil.copytree(fifty.store.folder, copy.folder, dirs_exist_ok=True)
    restore = [postgres.program("pg_restore"), "--no-owner", "--clean", "--if-exists", f"--dbname={copy.database_url}"]
    subprocess.run(restore, input=dump, check=True, capture_output=True)
    assert record(copy, fifty.names) == before


def record(store: Store, lines: Sequence[str]) -> dict[str, tuple]:
    """What each line's record says, without the line's name."""
    reader, found = StoreReader(store), {}
    for line in lines:
        drums = [(d.drum, d.start_m, dict(d.metres)) for d in reader.drums(line)]
        findings = [(f.key, f.start_m, f.end_m) for f in reader.findings(line, -1e9, 1e9)]
        first, verdict = reader.verdicts(line, 0, 1e9)
        found[line] = (drums, findings, first, verdict.tolist())
    return found
