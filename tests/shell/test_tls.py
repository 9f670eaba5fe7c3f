"""TLS by the works' own authority, passwords and topics: a client without rights receives and sends nothing."""

import json
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import text

from monitor.contract.config.works import Store
from monitor.contract.topics import Stream
from monitor.store.reader import StoreReader
from tests.core.script import CONFIGS
from tests.shell.brokers import Process, is_open, monitor, program
from tests.shell.works import PATIENCE, configs_at, until

PEOPLE = {"monitor": "m-secret", "gateway-core-1": "g-secret", "pages": "p-secret"}


class Guarded:
    """A broker that asks who is there, over TLS, and a monitor that has its password in a file."""

    def __init__(self, folder: Path, names: tuple[str, ...] = ("localhost", "127.0.0.1")) -> None:
        self.folder = folder
        subprocess.run([CONFIGS / "make-certificates.sh", folder / "tls", *names], check=True, capture_output=True)
        passwords = folder / "passwords"
        passwords.touch()
        for name, word in PEOPLE.items():
            subprocess.run([program("mosquitto_passwd"), "-b", str(passwords), name, word], check=True)
        shutil.copy(CONFIGS / "mosquitto.acl", folder / "acl")
        self.configs, self.port, _ = configs_at(folder)
        config = folder / "mosquitto.conf"
        config.write_text(
            f"user root\npersistence false\nallow_anonymous false\npassword_file {passwords}\nacl_file {folder}/acl\n"
            f"listener {self.port} 127.0.0.1\ncafile {folder}/tls/ca.crt\ncertfile {folder}/tls/server.crt\n"
            f"keyfile {folder}/tls/server.key\n"
        )
        words = [program("mosquitto"), "-c", str(config)]
        self.broker = Process(words, folder / "broker.log", lambda: is_open(self.port))
        self.password = folder / "monitor.password"
        self.password.write_text("m-secret\n")
        self._configure_broker()
        self.monitor = monitor(self.configs, folder)
        self.reader = StoreReader(Store(folder=str(folder / "run" / "store")))

    def _configure_broker(self) -> None:
        works = self.configs / "works.toml"
        broker = f'url = "mqtts://localhost:{self.port}"\nuser = "monitor"\npassword_file = "{self.password}"\n'
        broker += f'ca_file = "{self.folder}/tls/ca.crt"'
        works.write_text(works.read_text().replace(f'url = "mqtt://127.0.0.1:{self.port}"', broker))

    def publish(self, user: str, word: str, topic: str, n: int, **fields: object) -> int:
        """Publish by the outside client; returns its exit code."""
        payload = json.dumps({"n": n, "t": round(time.time() * 1e3), **fields})
        words = [program("mosquitto_pub"), "-h", "localhost", "-p", str(self.port), "-V", "mqttv5", "-q", "1"]
        words += ["--cafile", str(self.folder / "tls" / "ca.crt"), "-u", user, "-P", word, "-t", topic, "-m", payload]
        return subprocess.run(words, capture_output=True, timeout=20 * PATIENCE, check=False).returncode

    def samples(self, line: str = "core-1") -> list[float]:
        return self.reader.samples(Stream(line, "oven-a", "temperature"), 0, 10**15).v.tolist()

    def close(self) -> None:
        self.monitor.close()
        self.broker.close()


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator["Guarded"]:
    one = Guarded(tmp_path)
    try:
        one.broker.start()
        yield one
    finally:
        one.close()


def test_each_says_and_hears_what_is_theirs_and_nothing_else(guarded):
    guarded.monitor.start()
    path = "oven-a/temperature"
    assert guarded.publish("gateway-core-1", "g-secret", f"tarn/core-1/{path}", 0, v=290.0) == 0
    assert guarded.publish("gateway-core-1", "wrong", f"tarn/core-1/{path}", 1, v=666.0) != 0
    assert guarded.publish("nobody", "", f"tarn/core-1/{path}", 1, v=666.0) != 0
    guarded.publish("gateway-core-1", "g-secret", f"tarn/core-2/{path}", 0, v=666.0)  # another's line
    guarded.publish("pages", "p-secret", f"tarn/core-1/{path}", 1, v=666.0)  # pages say no readings
    forged = {"action": "mark metres", "by": "forger", "reason": "x", "start_m": 1, "end_m": 2}
    guarded.publish("gateway-core-1", "g-secret", "tarn/core-1/operator/action", 0, **forged)  # gateways answer nothing
    step = {"step": "go back", "recipe": "core-2g5", "by": "forger", "to": 1}
    guarded.publish("gateway-core-1", "g-secret", "tarn/core-1/operator/limits", 0, **step)  # and change no limits
    assert guarded.publish("gateway-core-1", "g-secret", f"tarn/core-1/{path}", 1, v=291.0) == 0
    until(lambda: guarded.samples() == [290.0, 291.0], 20, "both of the gateway's own samples")
    assert guarded.samples("core-2") == []
    assert not guarded.reader.rejected()
    assert not list(guarded.reader.findings("core-1", -1e9, 1e9))
    with guarded.reader.engine.connect() as c:
        assert not c.execute(text("select * from message where station = 'operator'")).all()


def test_no_secret_stands_in_a_log(guarded):
    guarded.monitor.start()
    guarded.publish("gateway-core-1", "g-secret", "tarn/core-1/oven-a/temperature", 0, v=290.0)
    until(lambda: guarded.samples() == [290.0], 20, "the sample")
    for word in PEOPLE.values():
        assert word not in guarded.monitor.output + guarded.broker.output


def test_a_wrong_password_is_reported_without_it_and_tried_again(guarded):
    guarded.password.write_text("not the password\n")
    guarded.monitor.ready = lambda: "no broker at" in guarded.monitor.output
    guarded.monitor.start()
    assert "Not authorized" in guarded.monitor.output
    assert "not the password" not in guarded.monitor.output
    assert guarded.monitor.alive


def test_a_broker_with_a_certificate_for_another_host_is_not_believed(tmp_path):
    one = Guarded(tmp_path, names=("another.example",))
    one.monitor.ready = lambda: "no broker at" in one.monitor.output
    try:
        one.broker.start()
        one.monitor.start()
        assert "certificate verify failed" in one.monitor.output
    finally:
        one.close()
