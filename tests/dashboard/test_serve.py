"""Serving: this machine only, by its own names, and sentences for what cannot be."""

import socket
import threading
import urllib.request

import pytest

from dashboard.serve import LOOPBACK_NAMES, CannotServeError, guard, listen, only_loopback


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.5", "::1", "localhost"])
def test_loopback_is_served(host):
    only_loopback(host)


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.20", "works-pc", ""])
def test_other_addresses_are_refused_with_a_reason(host):
    with pytest.raises(CannotServeError, match="no accounts yet"):
        only_loopback(host)


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
