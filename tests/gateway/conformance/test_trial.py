"""`everymetre contract --try` as its user runs it: the simulator's own publisher passes, a careless one is named."""

import contextlib
import json
import subprocess
import time

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.contract import rules
from tests.shell.brokers import everymetre
from tests.shell.works import configs_at, free_port

SECONDS = 37  # one second a unit of the trial


@pytest.fixture
def trial(tmp_path):
    """(configuration, port, the test as a process)."""
    configs, _, _ = configs_at(tmp_path)
    port = free_port()
    words = everymetre("contract", "--try", f"mqtt://127.0.0.1:{port}", "--line", "core-1", "--seconds", str(SECONDS))
    process = subprocess.Popen([*words, "--configs", str(configs)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert "listening on" in process.stdout.readline()
    yield configs, port, process
    process.kill()
    process.wait()


def test_the_publisher_of_the_simulator_keeps_every_rule(trial, tmp_path):
    configs, port, process = trial
    words = everymetre("simulate", "--configs", str(configs), "--scenario", "clean", "--lines", "core-1")
    words += ["--broker", f"mqtt://127.0.0.1:{port}", "--left", str(tmp_path / "left")]
    publisher = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
    try:
        found, _ = process.communicate(timeout=SECONDS * 6)
    finally:
        publisher.terminate()
        log, _ = publisher.communicate(timeout=20)
    assert process.returncode == 0, found
    assert "BROKEN" not in found
    assert found.count("kept") == len(rules.titles()) - len(["R2", "R8", "R15", "R19", "R22"])
    assert "is refused and forgotten: refused by the conformance test" in log


def test_a_publisher_that_knows_no_reports_is_named_with_the_rules_that_it_breaks(trial):
    """As many scripts are: it publishes, and never looks back."""
    _, port, process = trial
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="careless", protocol=mqtt.MQTTv5)
    client.connect_async("127.0.0.1", port)
    client.loop_start()
    start = round(time.time() * 1e3)
    try:
        for n in range(SECONDS * 100):
            body = {"n": n, "start": start, "t": round(time.time() * 1e3), "v": 80.0}
            client.publish("tarn/core-1/take-up/tension", json.dumps(body), qos=1)
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(0.1)
                break
    finally:
        client.loop_stop()
    found = process.stdout.read()
    assert process.returncode == 1, found
    broken = {line.split()[0] for line in found.splitlines() if line.endswith("BROKEN")}
    assert {"R4", "R14", "R17", "R20"} <= broken, found
