"""Who may come in: a session for each person where there are accounts, and what no page from elsewhere may do."""

import hmac
import secrets
from collections import defaultdict, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from html import escape
from typing import Any

from flask import Flask, Response, abort, has_request_context, redirect, request, session
from flask import g as now

from dashboard.text.words import CAUTION
from dashboard.web.accounts import Accounts, Person

TRIES, WITHIN_S = 5, 300.0
LASTS = timedelta(hours=12)
OPEN = ("/enter", "/assets/look.css")
FIGURES = ("/api/v1/metrics", "/api/v1/health")
PAGE = """<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>everymetre</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="stylesheet" href="/assets/look.css"></head>
<body><main class="enter"><h1>every<b>metre</b></h1><p>{works}</p><p role="alert">{said}</p>
<form method="post" action="/enter"><input type="hidden" name="token" value="{token}">
<p><label>Name <input name="name" autocomplete="username" required autofocus></label></p>
<p><label>Password <input name="password" type="password" autocomplete="current-password" required></label></p>
<p><button class="plain">Sign in</button></p></form><p class="caution">{caution}</p></main></body></html>"""


@dataclass(slots=True)
class Tries:
    """Failures of late, by name and by address: after five in five minutes the door stays shut for a while."""

    clock: Callable[[], float]
    _failed: defaultdict[str, deque[float]] = field(default_factory=lambda: defaultdict(deque))

    def shut(self, *keys: str) -> bool:
        """Whether too many tries of these have failed."""
        return any(len(self._of_late(key)) >= TRIES for key in keys)

    def failed(self, *keys: str) -> None:
        """One more failure."""
        for key in keys:
            self._of_late(key).append(self.clock())

    def _of_late(self, key: str) -> deque[float]:
        times = self._failed[key]
        while times and times[0] <= self.clock() - WITHIN_S:
            times.popleft()
        return times


def ask_who(
    server: Flask, accounts: Accounts, works_title: str, clock: Callable[[], float], tls: bool, token: str = ""
) -> None:
    """Let nobody in without an account; `tls` says that a proxy speaks TLS, so that cookies need it too.

    A collector that bears `token` may read the monitor's figures and nothing else.
    """
    server.secret_key = accounts.key()
    server.permanent_session_lifetime = LASTS
    server.config |= {
        "SESSION_COOKIE_NAME": "everymetre", "SESSION_COOKIE_HTTPONLY": True, "SESSION_COOKIE_SAMESITE": "Strict",
        "SESSION_COOKIE_SECURE": tls,
    }  # fmt: skip
    tries = Tries(clock)

    @server.before_request
    def known() -> Any:
        now.person = accounts.person(session.get("name", ""))
        if request.path in OPEN or now.person is not None or _collects(token):
            return None
        if request.method == "GET" and not request.path.startswith(("/api/", "/_", "/assets/")):
            return redirect("/enter")
        return Response("Sign in required.", 401)

    def page(said: str, status: int = 200) -> Response:
        session["token"] = session.get("token") or secrets.token_urlsafe(32)
        text = PAGE.format(works=escape(works_title), said=escape(said), token=session["token"], caution=CAUTION)
        return Response(text, status, {"Cache-Control": "no-store"}, "text/html")

    @server.get("/enter")
    def door() -> Response:
        return page("")

    @server.post("/enter")
    def enter() -> Any:
        name, password = request.form.get("name", "")[:80], request.form.get("password", "")[:1000]
        if not hmac.compare_digest(request.form.get("token", ""), session.get("token", secrets.token_hex())):
            return page("The form has expired. Try again.", 400)
        keys = (f"name {name}", f"from {request.remote_addr}")
        if tries.shut(*keys):
            return page("Too many attempts. Try again in five minutes.", 429)
        person = accounts.enter(name, password)
        if person is None:
            tries.failed(*keys)
            return page("Incorrect user name or password.", 403)
        session.clear()
        session.permanent = True
        session["name"] = person.name
        return redirect("/")

    @server.post("/leave")
    def leave() -> Any:
        session.clear()
        return redirect("/enter")


def _collects(token: str) -> bool:
    kind, _, given = request.headers.get("Authorization", "").partition(" ")
    right = bool(token) and kind == "Bearer" and hmac.compare_digest(given.encode(), token.encode())
    return right and request.method == "GET" and request.path in FIGURES


def present() -> Person | None:
    """Who asks; None where there are no accounts."""
    person: Person | None = now.get("person") if has_request_context() else None
    return person


def only_from_here(server: Flask) -> None:
    """What changes something must come from a page of ours: browsers say where a request comes from."""

    @server.before_request
    def same_origin() -> None:
        if request.method in ("GET", "HEAD", "OPTIONS"):
            return
        origin = request.headers.get("Origin", "")
        if origin.split("://")[-1] != request.host:
            abort(403, "Request blocked: it did not come from this site.")


def content_policy(hashes: list[str]) -> str:
    """What a page may load: only what comes from here, and the scripts written into it, by their hashes."""
    scripts = " ".join(["'self'", *hashes])
    return (
        f"default-src 'self'; script-src {scripts}; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
        "connect-src 'self'; font-src 'self' data:; object-src 'none'; base-uri 'self'; form-action 'self'; "
        "frame-ancestors 'none'"
    )
