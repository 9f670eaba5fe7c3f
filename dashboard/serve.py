"""Serving pages to this machine: only loopback, only under its own names, and a busy port gets a remedy."""

import errno
from collections.abc import Iterable
from ipaddress import ip_address
from typing import Any

from flask import Flask, Response, abort, request
from waitress.server import create_server

THREADS = 8
LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")


class CannotServeError(Exception):
    """The pages cannot be served there; the text says why and what to do."""


def only_loopback(host: str) -> None:
    """Refuse an address that others can reach: there are no accounts yet. Raises CannotServeError."""
    if host == "localhost":
        return
    try:
        loopback = ip_address(host).is_loopback
    except ValueError:
        loopback = False
    if not loopback:
        raise CannotServeError(
            f"The pages are served to this machine only: expected 127.0.0.1, ::1 or localhost, got {host!r}. "
            "Whoever opens them can answer alarms, and there are no accounts yet. From another machine, come "
            "through a tunnel or a proxy that asks who is there."
        )


def guard(server: Flask, names: Iterable[str]) -> None:
    """Answer only requests that call this machine by its own names, so that no page from elsewhere can act for it."""
    known = frozenset(names)

    @server.before_request
    def by_its_name() -> None:
        name = request.host.rsplit(":", 1)[0] if not request.host.endswith("]") else request.host
        if name not in known:
            abort(421, f"This address is not served here; use one of {', '.join(sorted(known))}.")

    @server.after_request
    def stay_within(response: Response) -> Response:
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["X-Frame-Options"] = "DENY"
        response.headers["Referrer-Policy"] = "no-referrer"
        return response


def listen(app: Flask, host: str, port: int) -> Any:
    """A waitress server that listens and waits to be run; raises CannotServeError where the port is taken."""
    try:
        return create_server(app, host=host, port=port, threads=THREADS, ident="everymetre")
    except OSError as error:
        if error.errno != errno.EADDRINUSE:
            raise
        raise CannotServeError(
            f"Port {port} on {host} is in use: stop what runs there, or choose another with --port."
        ) from error
