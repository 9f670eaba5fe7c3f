"""`everymetre broker`: on this machine only, and what it needs is named where it is not there."""

import tomllib

import pytest

from monitor.__main__ import main
from monitor.commands import broker
from monitor.contract.address import BrokerAddress
from monitor.contract.command import CannotRunError
from tests.core.script import CONFIGS


def test_it_serves_loopback_alone_with_mqtt_5_and_3_1_1_on_ports_beside_each_other():
    filled = broker.CONFIGURATION.format(host="127.0.0.1", port=18831, port_v4=18832, payload=broker.PAYLOAD_BYTES)
    settings = tomllib.loads(filled)
    assert [settings[v]["1"]["listen"] for v in ("v5", "v4")] == ["127.0.0.1:18831", "127.0.0.1:18832"]
    for version in ("v5", "v4"):
        assert settings[version]["1"]["connections"]["max_payload_size"] == broker.PAYLOAD_BYTES


def test_another_machine_is_refused(tmp_path, capsys):
    for file in CONFIGS.rglob("*.toml"):
        copied = tmp_path / file.relative_to(CONFIGS)
        copied.parent.mkdir(parents=True, exist_ok=True)
        copied.write_text(file.read_text())
    works = tmp_path / "works.toml"
    works.write_text(works.read_text().replace("mqtt://127.0.0.1", "mqtt://broker.example"))
    assert main(["broker", "--configs", str(tmp_path)]) == 2
    assert "this machine only" in capsys.readouterr().err


def test_where_it_is_not_installed_it_says_what_to_install(monkeypatch):
    monkeypatch.setattr(broker, "find_spec", lambda _: None)
    with pytest.raises(CannotRunError, match=r"pip install everymetre\[demo\]"):
        broker.serve(BrokerAddress(host="127.0.0.1", port=18831))


def test_a_broker_that_cannot_start_ends_with_1_and_says_why(monkeypatch, capsys):
    class Refuses:
        def __init__(self, config_path: str) -> None:
            pass

        def start(self) -> None:
            raise OSError("address already in use")

    monkeypatch.setattr("iotcore.Broker", Refuses)
    monkeypatch.setattr("signal.signal", lambda *_: None)
    assert broker.serve(BrokerAddress(host="127.0.0.1", port=18831)) == 1
    assert "cannot start: address already in use" in capsys.readouterr().err
