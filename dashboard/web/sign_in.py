"""Authentication, sessions and CSRF protection."""

import hmac
from collections.abc import Callable
from datetime import timedelta
from html import escape
from typing import Any, TypeAlias

from flask import Flask, Response, abort, has_request_context, redirect, request, session
from flask import g as now
from flask_limiter import Limiter
from flask_limiter.util import get_remote_address
from flask_login import LoginManager, UserMixin, current_user, login_user, logout_user
from flask_wtf.csrf import CSRFError, CSRFProtect, generate_csrf
from werkzeug.middleware.proxy_fix import ProxyFix

from dashboard.text.caution import CAUTION
from dashboard.web.accounts import Accounts, Person
from dashboard.web.sessions import SESSION_S, SessionList

TRIES, WITHIN_S = 5, 300
Reply: TypeAlias = Any  # what Flask takes of a view or a hook: None, a text, a response, with or without a status
OPEN = ("/login", "/assets/look.css")
FIGURES = ("/api/v1/metrics", "/api/v1/health")
PAGE = """<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>everymetre</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="stylesheet" href="/assets/look.css"></head>
<body><main class="enter"><h1>every<b>metre</b></h1><p>{works}</p><p role="alert">{message}</p>
<form method="post" action="/login"><input type="hidden" name="token" value="{token}">
<p><label>Name <input name="name" autocomplete="username" required autofocus></label></p>
<p><label>Password <input name="password" type="password" autocomplete="current-password" required></label></p>
<p><button class="plain">Sign in</button></p></form><p class="caution">{caution}</p></main></body></html>"""


class SignedIn(UserMixin):  # type: ignore[misc]
    """A person in a session; what Flask-Login knows them by is the session's token."""

    def __init__(self, person: Person, token: str) -> None:
        self.person, self._token = person, token

    def get_id(self) -> str:
        return self._token


def ask_who(
    server: Flask, accounts: Accounts, works_title: str, clock: Callable[[], float], tls: bool, token: str = ""
) -> None:
    """Require an account for every page; `tls` is set where a proxy terminates TLS, so that cookies need it too.

    A collector that sends `token` may read the metrics and nothing else.
    """
    _configure(server, accounts.key(), tls)
    sessions = SessionList(accounts=accounts, clock=clock)
    login = LoginManager(server)

    @login.user_loader  # type: ignore[untyped-decorator]
    def load(session_token: str) -> SignedIn | None:
        person = sessions.person(session_token)
        return SignedIn(person, session_token) if person else None

    @login.unauthorized_handler  # type: ignore[untyped-decorator]
    def turn_away() -> Reply:
        if request.method == "GET" and not request.path.startswith(("/api/", "/_", "/assets/")):
            return redirect("/login")
        return Response("Sign in required.", 401)

    @server.before_request
    def known() -> Reply:
        now.person = current_user.person if current_user.is_authenticated else None
        if request.path in OPEN or now.person is not None or _collects(token):
            return None
        return login.unauthorized()

    _check_forms(server, tls)
    _sign_in_page(server, accounts, sessions, works_title)


def _configure(server: Flask, key: bytes, tls: bool) -> None:
    server.secret_key = key
    server.permanent_session_lifetime = timedelta(seconds=SESSION_S)
    server.config |= {
        "SESSION_COOKIE_NAME": "everymetre", "SESSION_COOKIE_HTTPONLY": True, "SESSION_COOKIE_SAMESITE": "Strict",
        "SESSION_COOKIE_SECURE": tls, "WTF_CSRF_FIELD_NAME": "token", "WTF_CSRF_TIME_LIMIT": None,
        "WTF_CSRF_SSL_STRICT": False,  # `only_from_here` compares the origin, with TLS and without
    }  # fmt: skip
    if tls:  # else every attempt would seem to come from the proxy
        server.wsgi_app = ProxyFix(server.wsgi_app, x_for=1, x_proto=0)  # type: ignore[method-assign]


def _check_forms(server: Flask, tls: bool) -> None:
    """Every post carries the token of its session; Dash sends the one that it finds in this cookie."""
    CSRFProtect(server)

    @server.after_request
    def hand_out(response: Response) -> Response:
        if response.mimetype == "text/html" and present() is not None:
            response.set_cookie("_csrf_token", generate_csrf(), secure=tls, samesite="Strict")
        return response


def _sign_in_page(server: Flask, accounts: Accounts, sessions: SessionList, works_title: str) -> None:
    def page(message: str, status: int = 200) -> Response:
        text = PAGE.format(works=escape(works_title), message=escape(message), token=generate_csrf(), caution=CAUTION)
        return Response(text, status, {"Cache-Control": "no-store"}, "text/html")

    def tried_name() -> str:
        return request.form.get("name", "")[:80]

    def enter() -> Reply:
        person = accounts.enter(tried_name(), request.form.get("password", "")[:1000])
        if person is None:
            return page("Incorrect user name or password.", 403)
        session.clear()
        session.permanent = True
        login_user(SignedIn(person, sessions.begin(person.name)))
        return redirect("/")

    tries = Limiter(get_remote_address, app=server, storage_uri="memory://", strategy="moving-window")
    for key in (lambda: f"name {tried_name()}", lambda: f"from {get_remote_address()}"):
        limit = f"{TRIES} per {WITHIN_S} seconds"
        enter = tries.limit(limit, key_func=key, deduct_when=lambda response: response.status_code == 403)(enter)
    server.add_url_rule("/login", "enter", enter, methods=["POST"])

    @server.get("/login")
    def door() -> Response:
        return page("")

    @server.post("/logout")
    def leave() -> Reply:
        sessions.end(current_user.get_id())
        logout_user()
        session.clear()
        gone = redirect("/login")
        gone.delete_cookie("_csrf_token", samesite="Strict")
        return gone

    @server.errorhandler(CSRFError)
    def too_old(error: CSRFError) -> Response:
        return page("The form has expired. Try again.", 400) if request.path == "/login" else Response(str(error), 400)

    @server.errorhandler(429)
    def too_many(_error: Exception) -> Response:
        return page("Too many attempts. Try again in five minutes.", 429)


def _collects(token: str) -> bool:
    kind, _, given = request.headers.get("Authorization", "").partition(" ")
    right = bool(token) and kind == "Bearer" and hmac.compare_digest(given.encode(), token.encode())
    return right and request.method == "GET" and request.path in FIGURES


def present() -> Person | None:
    """The signed-in person; None where there are no accounts."""
    person: Person | None = now.get("person") if has_request_context() else None
    return person


def form_token() -> str:
    """The token of the present session's forms; nothing where there are no accounts."""
    return str(generate_csrf()) if present() is not None else ""


def only_from_here(server: Flask) -> None:
    """Requests that change something must come from our own pages, by the origin that browsers send."""

    @server.before_request
    def same_origin() -> None:
        if request.method in ("GET", "HEAD", "OPTIONS"):
            return
        origin = request.headers.get("Origin", "")
        if origin.split("://")[-1] != request.host:
            abort(403, "Request blocked: it did not come from this site.")


def content_policy(hashes: list[str]) -> str:
    """Content security policy: only this origin, and inline scripts by their hashes."""
    scripts = " ".join(["'self'", *hashes])
    return (
        f"default-src 'self'; script-src {scripts}; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
        "connect-src 'self'; font-src 'self' data:; object-src 'none'; base-uri 'self'; form-action 'self'; "
        "frame-ancestors 'none'"
    )
