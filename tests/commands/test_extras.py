"""What an installation without the extras says when it is asked for them."""

import importlib.util
from types import SimpleNamespace

import pytest

from monitor.__main__ import main
from monitor.commands import broker
from monitor.contract.address import BrokerAddress
from monitor.contract.command import CannotRunError
from monitor.store import server


@pytest.fixture
def bare(monkeypatch):
    """An installation without its extras."""
    found = importlib.util.find_spec

    def without(name: str) -> object:
        return None if name in ("psycopg", "iotcore") else found(name)

    monkeypatch.setattr(server, "find_spec", without)
    monkeypatch.setattr(broker, "find_spec", without)


@pytest.mark.usefixtures("bare")
def test_a_server_without_its_driver_is_refused_with_the_remedy():
    with pytest.raises(CannotRunError, match=r"pip install everymetre\[postgres\]"):
        server.server_url("postgresql://someone@localhost/everymetre")


@pytest.mark.usefixtures("bare")
def test_the_broker_that_is_not_installed_is_told_with_the_remedy():
    with pytest.raises(CannotRunError, match=r"pip install everymetre\[demo\]"):
        broker.serve(BrokerAddress(host="127.0.0.1", port=1))


def without(monkeypatch, command: str, module: str, missing: str) -> None:
    """The one command there is cannot be loaded, since a module is missing."""

    def load() -> object:
        raise ModuleNotFoundError(f"No module named {missing!r}", name=missing)

    entry = SimpleNamespace(name=command, module=module, load=load)
    monkeypatch.setattr("monitor.__main__.entry_points", lambda group: [entry])


@pytest.mark.parametrize("command", ["dashboard", "record", "account"])
def test_a_command_of_the_pages_names_the_extra_that_installs_them(command, monkeypatch, capsys):
    without(monkeypatch, command, "dashboard.commands.any", "dash")
    assert main([command]) == 2
    assert capsys.readouterr().err == f"{command} needs dash: pip install everymetre[pages]\n"


def test_a_missing_module_of_another_part_is_an_error(monkeypatch):
    without(monkeypatch, "check", "monitor.commands.check", "numpy")
    with pytest.raises(ModuleNotFoundError):
        main(["check"])
