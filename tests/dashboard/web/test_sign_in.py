"""Who may come in: sessions, forms, tries and cookies."""

import re
from types import SimpleNamespace
from typing import Any

import pytest
from dash import Dash
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from dashboard.web import accounts as accounts_module
from dashboard.web.accounts import HASHER, Accounts
from dashboard.web.serve import collector_token
from dashboard.web.sign_in import TRIES, WITHIN_S, ask_who
from tests.dashboard.conftest import PASSWORD


@pytest.fixture
def time_now() -> list[float]:
    return [1000.0]


@pytest.fixture
def door(app: Dash, accounts: Accounts, time_now: list[float], monkeypatch: pytest.MonkeyPatch) -> FlaskClient:
    monkeypatch.setattr("limits.storage.memory.time", SimpleNamespace(time=lambda: time_now[0]))
    ask_who(app.server, accounts, "Tarn", lambda: time_now[0], tls=True)
    return app.server.test_client()


def token_in(page: str) -> str:
    found = re.search(r'name="token" value="([^"]+)"', page)
    return found.group(1) if found else ""


def enter(door: FlaskClient, name: str, password: str, token: str | None = None, **more: Any) -> TestResponse:
    page = door.get("/login", base_url="https://localhost").get_data(as_text=True)
    given = token if token is not None else token_in(page)
    return door.post(
        "/login", data={"name": name, "password": password, "token": given}, base_url="https://localhost", **more
    )


def look(door: FlaskClient) -> int:
    """The status of a question that only people with accounts may ask."""
    return door.get("/api/v1/live", base_url="https://localhost").status_code


def leave(door: FlaskClient) -> None:
    form = door.get("/login", base_url="https://localhost").get_data(as_text=True)
    assert door.post("/logout", data={"token": token_in(form)}, base_url="https://localhost").status_code == 302


def test_nothing_is_seen_without_a_session(door):
    assert door.get("/").status_code == 302
    assert door.get("/api/v1/live").status_code == 401
    assert door.post("/_dash-update-component").status_code == 401
    assert door.get("/_dash-layout").status_code == 401


def test_with_the_password_the_pages_open_and_after_leaving_they_do_not(door):
    assert enter(door, "Mira", PASSWORD).headers["Location"] == "/"
    assert door.get("/api/v1/live", base_url="https://localhost").status_code == 200
    leave(door)
    assert door.get("/api/v1/live", base_url="https://localhost").status_code == 401


def test_the_cookie_is_kept_from_scripts_other_sites_and_plain_lines(door):
    cookie = enter(door, "Mira", PASSWORD).headers["Set-Cookie"]
    for word in ("HttpOnly", "SameSite=Strict", "Secure"):
        assert word in cookie


def test_a_form_that_is_not_ours_is_refused(door):
    assert enter(door, "Mira", PASSWORD, token="guessed").status_code == 400


def test_after_five_failures_the_door_stays_shut_for_five_minutes_even_with_the_right_password(door, time_now):
    for _ in range(TRIES):
        assert enter(door, "Mira", "wrong wrong wrong").status_code == 403
    assert enter(door, "Mira", PASSWORD).status_code == 429
    time_now[0] += WITHIN_S + 1
    assert enter(door, "Mira", PASSWORD).status_code == 302


def test_an_account_that_is_removed_is_out_at_once(door, accounts):
    enter(door, "Mira", PASSWORD)
    accounts.remove("Mira")
    assert door.get("/api/v1/live", base_url="https://localhost").status_code == 401


@pytest.mark.parametrize(
    ("path", "bears", "status"),
    [
        ("/api/v1/metrics", "Bearer " + "t" * 24, 200),
        ("/api/v1/health", "Bearer " + "t" * 24, 200),
        ("/api/v1/live", "Bearer " + "t" * 24, 401),
        ("/api/v1/metrics", "Bearer " + "x" * 24, 401),
        ("/api/v1/metrics", "", 401),
    ],
)
def test_a_collector_reads_figures_by_its_token_and_nothing_else(app, accounts, path, bears, status):
    ask_who(app.server, accounts, "Tarn", lambda: 1000.0, tls=True, token="t" * 24)
    client = app.server.test_client()
    got = client.get(path, headers={"Authorization": bears}, base_url="https://localhost")
    assert got.status_code == status


def test_without_a_token_nothing_empty_opens_the_door(app, accounts):
    ask_who(app.server, accounts, "Tarn", lambda: 1000.0, tls=True)
    got = app.server.test_client().get(
        "/api/v1/metrics", headers={"Authorization": "Bearer "}, base_url="https://localhost"
    )
    assert got.status_code == 401
    assert collector_token(None) == ""


def cookie_of(door: FlaskClient) -> str:
    found = door.get_cookie("everymetre", domain="localhost")
    assert found is not None
    return found.value


def bearing(app: Dash, cookie: str) -> FlaskClient:
    """Another browser that holds a copied cookie."""
    other = app.server.test_client()
    other.set_cookie("everymetre", cookie, domain="localhost", secure=True)
    return other


def test_a_cookie_that_was_copied_is_worth_nothing_after_its_session_ended(app, door):
    enter(door, "Mira", PASSWORD)
    copied = bearing(app, cookie_of(door))
    assert look(copied) == 200
    leave(door)
    assert look(copied) == 401


def test_a_cookie_that_was_planted_before_is_not_signed_in_after(app, door):
    door.get("/login", base_url="https://localhost")
    planted = cookie_of(door)
    enter(door, "Mira", PASSWORD)
    assert look(door) == 200
    assert look(bearing(app, planted)) == 401


def test_each_session_has_a_token_of_its_own_and_leaving_ends_no_other(app, door):
    enter(door, "Mira", PASSWORD)
    elsewhere = app.server.test_client()
    enter(elsewhere, "Mira", PASSWORD)
    leave(door)
    assert look(door) == 401
    assert look(elsewhere) == 200


@pytest.mark.parametrize("path", ["/_dash-update-component", "/logout", "/login"])
@pytest.mark.parametrize("token", ["", "guessed"])
def test_what_is_posted_without_the_token_of_its_session_does_nothing(door, path, token):
    enter(door, "Mira", PASSWORD)
    headers = {"X-CSRFToken": token} if token else {}
    assert door.post(path, headers=headers, base_url="https://localhost").status_code == 400
    assert look(door) == 200


def test_the_token_of_another_session_does_not_do(app, door):
    enter(door, "Mira", PASSWORD)
    other = app.server.test_client()
    token = token_in(other.get("/login", base_url="https://localhost").get_data(as_text=True))
    assert door.post("/logout", data={"token": token}, base_url="https://localhost").status_code == 400


def test_dash_finds_the_token_that_its_callbacks_must_bear(door):
    enter(door, "Mira", PASSWORD)
    cookie = door.get("/", base_url="https://localhost").headers.getlist("Set-Cookie")
    (set_,) = [c for c in cookie if c.startswith("_csrf_token=")]
    assert "HttpOnly" not in set_
    assert {"Secure", "SameSite=Strict"} <= set(re.split("; ?", set_))
    token = set_.partition("=")[2].partition(";")[0]
    answer = door.post("/_dash-update-component", headers={"X-CSRFToken": token}, json={}, base_url="https://localhost")
    assert answer.status_code != 400 or "CSRF" not in answer.get_data(as_text=True)


def test_tries_at_one_name_from_many_addresses_are_counted_together(door):
    for i in range(TRIES):
        assert enter(door, "Mira", "wrong wrong", headers={"X-Forwarded-For": f"10.0.0.{i}"}).status_code == 403
    assert enter(door, "Mira", PASSWORD, headers={"X-Forwarded-For": "10.0.0.99"}).status_code == 429
    assert enter(door, "Olle", PASSWORD, headers={"X-Forwarded-For": "10.0.0.99"}).status_code == 302


def test_tries_at_many_names_from_one_address_are_counted_together_and_nobody_elses_door_is_shut(door):
    for i in range(TRIES):
        assert enter(door, f"name {i}", "wrong wrong", headers={"X-Forwarded-For": "10.0.0.1"}).status_code == 403
    assert enter(door, "Mira", PASSWORD, headers={"X-Forwarded-For": "10.0.0.1"}).status_code == 429
    assert enter(door, "Mira", PASSWORD, headers={"X-Forwarded-For": "10.0.0.2"}).status_code == 302


def test_a_right_password_uses_up_no_try(door):
    for _ in range(TRIES + 2):
        assert enter(door, "Mira", PASSWORD).status_code == 302


@pytest.mark.parametrize("name", ["Mira", "nobody of this name", ""])
def test_who_is_known_is_not_told_by_time_or_words(door, monkeypatch, name):
    """One hash of the same cost is verified for every name, and the answer is the same."""
    verified = []

    class Spy:
        def verify(self, hashed: str, password: str) -> bool:
            verified.append(hashed.split("$")[1:4])
            return HASHER.verify(hashed, password)

    monkeypatch.setattr(accounts_module, "HASHER", Spy())
    answer = enter(door, name, "wrong wrong wrong")
    assert answer.status_code == 403
    assert "Incorrect user name or password." in answer.get_data(as_text=True)
    assert verified == [HASHER.hash("x").split("$")[1:4]]


def test_another_password_ends_the_sessions_of_the_old_one(door, accounts):
    enter(door, "Mira", PASSWORD)
    accounts.put("Mira", "answer alarms", PASSWORD + " anew")
    assert look(door) == 401
