"""Serving: this machine only, by its own names, and sentences for what cannot be."""

import socket
import threading
import urllib.request

import pytest

from dashboard.web.accounts import Accounts
from dashboard.web.serve import (
    LOOPBACK_NAMES,
    CannotServeError,
    collector_token,
    guard,
    is_loopback,
    listen,
    want_accounts,
)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.5", "::1", "localhost"])
def test_loopback_is_served_without_accounts(host, tmp_path):
    assert is_loopback(host)
    want_accounts(host, Accounts(tmp_path / "none.json"))


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.20", "works-pc", ""])
def test_other_addresses_want_accounts_and_say_how_to_make_one(host, tmp_path):
    accounts = Accounts(tmp_path / "accounts.json")
    with pytest.raises(CannotServeError, match="everymetre account NAME"):
        want_accounts(host, accounts)
    accounts.put("Mira", "look", "a long password")
    want_accounts(host, accounts)


def test_a_busy_port_gets_a_remedy(app):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(CannotServeError, match="--port"):
            listen(app.server, "127.0.0.1", taken.getsockname()[1])


def test_a_page_from_elsewhere_cannot_call_it_by_another_name(app):
    guard(app.server, LOOPBACK_NAMES)
    client = app.server.test_client()
    for name in ("localhost:18850", "127.0.0.1:18850", "[::1]:18850", "localhost", "[::1]"):
        assert client.get("/api/v1/live", headers={"Host": name}).status_code == 200
    for name in ("evil.example:18850", "127.0.0.1.evil.example", "192.168.1.20"):
        assert client.get("/api/v1/live", headers={"Host": name}).status_code == 421


def test_what_listens_answers(app):
    server = listen(app.server, "127.0.0.1", 0)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{server.effective_port}/api/v1/live", timeout=10) as answer:
            assert answer.status == 200
    finally:
        server.close()
        thread.join(5)


@pytest.mark.parametrize("text", [None, "short"])
def test_a_token_file_that_will_not_do_is_named(tmp_path, text):
    file = tmp_path / "token"
    if text is not None:
        file.write_text(text)
    with pytest.raises(CannotServeError, match="token"):
        collector_token(str(file))
