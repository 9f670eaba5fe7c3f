"""Errors of an installation that lacks the extras, or is of another version than the code."""

import importlib.util
from importlib.metadata import EntryPoint
from types import SimpleNamespace

import pytest

from monitor.__main__ import main
from monitor.commands import broker, check
from monitor.contract.address import BrokerAddress
from monitor.contract.command import INSTALL_AGAIN, CannotRunError
from monitor.store import server


@pytest.fixture
def bare(monkeypatch: pytest.MonkeyPatch) -> None:
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
def test_the_broker_that_is_not_installed_is_reported_with_the_remedy():
    with pytest.raises(CannotRunError, match=r"pip install everymetre\[demo\]"):
        broker.serve(BrokerAddress(host="127.0.0.1", port=1))


def without(monkeypatch: pytest.MonkeyPatch, command: str, module: str, missing: str) -> None:
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


def installed(monkeypatch: pytest.MonkeyPatch, **values: str) -> None:
    """The installation has these entry points alone."""
    entries = [EntryPoint(name, value, "everymetre.commands") for name, value in values.items()]
    monkeypatch.setattr("monitor.__main__.entry_points", lambda group: entries)


STALE = ["dashboard.__main__:COMMAND", "monitor.commands.gone:COMMAND", "gone.commands.gone:COMMAND",
         "monitor.commands.init:GONE"]  # fmt: skip


@pytest.mark.parametrize("value", STALE)
def test_a_command_that_the_code_does_not_have_is_of_an_installation_of_another_version(value, monkeypatch, capsys):
    installed(monkeypatch, old=value)
    assert main(["old"]) == 2
    text = "old: the installation of everymetre is of another version than its code, which has no"
    assert capsys.readouterr().err == f"{text} {value}. {INSTALL_AGAIN}\n"


@pytest.mark.parametrize("value", STALE)
def test_help_lists_such_a_command_with_the_remedy(value, monkeypatch, capsys):
    installed(monkeypatch, old=value, init="monitor.commands.init:COMMAND")
    with pytest.raises(SystemExit):
        main(["--help"])
    printed = " ".join(capsys.readouterr().out.split())
    assert f"old Not in the code of this version. {INSTALL_AGAIN}" in printed
    assert "init Write the configuration of a works" in printed


def test_a_command_that_an_older_installation_does_not_name_is_not_unknown(monkeypatch, capsys):
    installed(monkeypatch, init="monitor.commands.init:COMMAND")
    assert main(["doctor"]) == 2
    assert (
        capsys.readouterr().err == f"doctor: the installation of everymetre is older than its code. {INSTALL_AGAIN}\n"
    )
    with pytest.raises(SystemExit):
        main(["no-such-command"])
    assert "invalid choice: 'no-such-command'" in capsys.readouterr().err


def test_check_refuses_a_checker_of_another_version(monkeypatch):
    old = EntryPoint("old", "simulator.gone:faults_of", "everymetre.checkers")
    monkeypatch.setattr(check, "entry_points", lambda group: [old])
    with pytest.raises(CannotRunError, match=r"which has no simulator\.gone:faults_of"):
        check.faults_of({})
