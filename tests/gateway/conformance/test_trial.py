"""`everymetre contract --try` as its user runs it: publishers by the rules pass, a careless one is named."""

import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from monitor.contract import rules
from tests.core.script import CONFIGS
from tests.shell.brokers import broker, everymetre, monitor
from tests.shell.works import PATIENCE, configs_at

SECONDS = 47  # one second a unit of the trial, and a minute and a half in which the test waits for the publisher
PLAIN = Path(__file__).parents[1] / "plain_gateway.py"

# As many scripts are: it publishes, and never looks back.
CARELESS = """
import json, sys, time
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="careless", protocol=mqtt.MQTTv5)
client.connect_async("127.0.0.1", int(sys.argv[1]))
client.loop_start()
start = round(time.time() * 1e3)
for n in range(10_000):
    body = {"n": n, "start": start, "t": round(time.time() * 1e3), "v": 80.0}
    client.publish("tarn/core-1/take-up/tension", json.dumps(body), qos=1)
    time.sleep(0.1)  # ten readings a second
"""


@contextmanager
def trial_at(configs: Path, port: int, tls: Path | None = None) -> Iterator[tuple[str, "subprocess.Popen[str]"]]:
    """The test as a process, from the moment that a publisher may begin, with its first line."""
    words = everymetre("contract", "--line", "core-1", "--seconds", str(SECONDS), "--try")
    words += [f"mqtts://localhost:{port}", "--certificates", str(tls)] if tls else [f"mqtt://127.0.0.1:{port}"]
    with subprocess.Popen([*words, "--configs", str(configs)], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline(), process
        finally:
            process.kill()


@dataclass
class Tried:
    """One trial: its first line, its sheet and exit code, and what the publisher logged."""

    first: str
    sheet: str
    code: int
    log: str

    @property
    def verdicts(self) -> dict[str, str]:
        return {line.split()[0]: line.split()[-1] for line in self.sheet.splitlines() if re.match(r"R\d+ ", line)}


def publishers(configs: Path, port: int, folder: Path) -> dict[str, list[str]]:
    simulate = everymetre("simulate", "--configs", str(configs), "--scenario", "clean", "--lines", "core-1")
    return {
        "simulator": [*simulate, "--broker", f"mqtt://127.0.0.1:{port}", "--state-dir", str(folder / "left")],
        "plain": [sys.executable, str(PLAIN), str(port), "100000", str(folder / "log")],
        "plain by TLS": [
            sys.executable,
            str(PLAIN),
            str(port),
            "100000",
            str(folder / "log"),
            str(folder / "tls/ca.crt"),
        ],
        "careless": [sys.executable, "-c", CARELESS, str(port)],
    }


CASES = [
    ("simulator", "own"),
    ("simulator", "embedded"),
    ("plain", "own"),
    ("plain", "mosquitto"),
    ("plain by TLS", "own"),
    ("careless", "own"),
]


@pytest.fixture(scope="module")
def tried(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], Tried]:
    """All trials at once, since they mostly wait."""
    with ExitStack() as stack:
        running = {}
        for name, where in CASES:
            folder = tmp_path_factory.mktemp(f"{name}-{where}")
            configs, port, _ = configs_at(folder)
            if where != "own":
                there = broker(where, folder, port)
                stack.callback(there.close)
                there.start()
            tls = folder / "tls" if name.endswith("TLS") else None
            if tls:
                subprocess.run([CONFIGS / "make-certificates.sh", tls, "localhost"], check=True, capture_output=True)
            first, process = stack.enter_context(trial_at(configs, port, tls))
            words = publishers(configs, port, folder)[name]
            log = stack.enter_context((folder / "publisher.log").open("w+"))
            publisher = stack.enter_context(subprocess.Popen(words, stdout=log, stderr=subprocess.STDOUT))
            stack.callback(publisher.kill)
            running[name, where] = first, process, log
        found = {}
        for case, (first, process, log) in running.items():
            sheet, _ = process.communicate(timeout=SECONDS * 8)
            log.seek(0)
            found[case] = Tried(first, sheet, process.returncode, log.read())
        return found


@pytest.mark.parametrize("name", ["simulator", "plain"])
def test_a_publisher_by_the_rules_keeps_each_of_them(tried, name):
    """`plain` knows nothing but the exported document."""
    one = tried[name, "own"]
    assert "listening on it" in one.first
    assert one.code == 0, one.sheet
    assert one.verdicts == dict.fromkeys(rules.titles(), "kept") | {"R22": "tried"}, one.sheet


@pytest.mark.parametrize(("name", "where"), [("simulator", "embedded"), ("plain", "mosquitto")])
def test_over_the_broker_of_the_site_it_keeps_what_a_client_can_try(tried, name, where):
    one = tried[name, where]
    assert "as a client, which can neither cut connections nor kill" in one.first
    assert one.code == 0, one.sheet
    assert {rule for rule, verdict in one.verdicts.items() if verdict != "kept"} == {"R1", "R2", "R4", "R15"}, one.sheet


def test_a_publisher_that_verifies_certificates_keeps_the_rules_by_tls_too(tried):
    one = tried["plain by TLS", "own"]
    assert "as a broker of another authority" in one.first
    assert "as a broker of the site's authority for another host" in one.sheet
    assert one.code == 0, one.sheet
    assert one.verdicts["R2"] == "kept", one.sheet


def test_the_simulator_logs_what_is_refused_for_good_and_for_now(tried):
    log = tried["simulator", "own"].log
    assert "is put aside and will be tried again: refused by the conformance test for now" in log
    assert "is refused and forgotten: refused by the conformance test" in log


def test_a_publisher_that_knows_no_reports_is_named_with_the_rules_that_it_breaks(tried):
    one = tried["careless", "own"]
    assert one.code == 1, one.sheet
    assert {"R4", "R14", "R20"} <= {rule for rule, verdict in one.verdicts.items() if verdict == "BROKEN"}, one.sheet


def test_beside_a_monitor_at_work_it_does_not_begin(tmp_path):
    configs, port, _ = configs_at(tmp_path)
    one, other = broker("mosquitto", tmp_path, port), monitor(configs, tmp_path)
    try:
        one.start()
        other.start()
        words = everymetre("contract", "--try", f"mqtt://127.0.0.1:{port}", "--line", "core-1")
        done = subprocess.run(
            [*words, "--configs", str(configs)], capture_output=True, text=True, timeout=60 * PATIENCE
        )
    finally:
        other.close()
        one.close()
    assert done.returncode == 2
    assert "a monitor of line core-1 is at work" in done.stderr
