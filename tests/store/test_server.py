"""Where a database server is: only one kind, without a password in the file, and never half configured."""

import pytest

from monitor.contract.command import CannotRunError
from monitor.store import server


def test_the_driver_is_chosen_for_the_address():
    url = server.server_url("postgresql://monitor@db.example/record")
    assert (url.drivername, url.host, url.database, url.password) == (
        "postgresql+psycopg",
        "db.example",
        "record",
        None,
    )


@pytest.mark.parametrize("text", ["mysql://monitor@db.example/record", "sqlite:///record.sqlite"])
def test_another_kind_of_server_is_refused(text):
    with pytest.raises(ValueError, match="expected postgresql://USER@HOST/NAME, got"):
        server.server_url(text)


def test_without_the_driver_the_remedy_is_named(monkeypatch):
    monkeypatch.setattr(server, "find_spec", lambda name: None)
    with pytest.raises(CannotRunError, match=r"pip install everymetre\[postgres\]"):
        server.server_url("postgresql://monitor@db.example/record")
