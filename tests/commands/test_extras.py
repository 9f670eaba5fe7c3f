"""What an installation without the extras says when it is asked for them."""

import importlib.util

import pytest

from monitor.commands import broker
from monitor.contract.address import BrokerAddress
from monitor.contract.part import CannotRunError
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
        broker.serve(BrokerAddress("127.0.0.1", 1))
