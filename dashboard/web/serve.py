"""Web server start-up: account requirement, host name check, message for a port in use."""

import errno
from collections.abc import Callable, Iterable
from functools import cache
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from flask import Flask, Response, abort, request
from waitress.server import create_server

from dashboard.web.accounts import Accounts
from dashboard.web.sign_in import only_from_here

THREADS = 8
SHORTEST_TOKEN = 20
LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")


class CannotServeError(Exception):
    """The pages cannot be served there; the text says why and what to do."""


def is_loopback(host: str) -> bool:
    """Whether an address is loopback, which no other machine can reach."""
    try:
        return host == "localhost" or ip_address(host).is_loopback
    except ValueError:
        return False


def want_accounts(host: str, accounts: Accounts) -> None:
    """Reject an address that others can reach while there are no accounts. Raises CannotServeError."""
    if not is_loopback(host) and not accounts:
        raise CannotServeError(
            f"{host} can be reached by others, and there is no account in {accounts.path}. "
            "Make one with `everymetre account NAME --role administer`, or serve on 127.0.0.1."
        )


def guard(server: Flask, names: Iterable[str], policy: Callable[[], str] | None = None) -> None:
    """Accept only requests for this machine's own names, so that no other site's page can act for it.

    `policy` is asked at the first answer: only then are all scripts known that the pages hold.
    """
    only_from_here(server)
    known = frozenset(names)
    policy_text = cache(policy or str)

    @server.before_request
    def by_its_name() -> None:
        name = request.host.rsplit(":", 1)[0] if not request.host.endswith("]") else request.host
        if name not in known:
            abort(421, f"This address is not served here; use one of {', '.join(sorted(known))}.")

    @server.after_request
    def stay_within(response: Response) -> Response:
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["X-Frame-Options"] = "DENY"
        response.headers["Referrer-Policy"] = "same-origin"
        if policy:
            response.headers["Content-Security-Policy"] = policy_text()
        return response


def listen(app: Flask, host: str, port: int) -> Any:  # waitress has no types
    """A waitress server that listens and waits to be run; raises CannotServeError where the port is taken."""
    try:
        return create_server(app, host=host, port=port, threads=THREADS, ident="everymetre")
    except OSError as error:
        if error.errno != errno.EADDRINUSE:
            raise
        raise CannotServeError(
            f"Port {port} on {host} is in use: stop what runs there, or choose another with --port."
        ) from error


def collector_token(file: str | None) -> str:
    """The token of a metrics collector, from the file that the works names; none where none is named."""
    if file is None:
        return ""
    try:
        token = Path(file).read_text(encoding="utf-8").strip()
    except OSError as error:
        raise CannotServeError(f"dashboard.collector_token_file: {error}. Write a long random word there.") from error
    if len(token) < SHORTEST_TOKEN:
        raise CannotServeError(f"{file}: expected a token of at least {SHORTEST_TOKEN} characters, got {len(token)}.")
    return token
