"""Who may come in and what they may do."""

import io
import re
import stat

import pytest
from flask import g
from flask.testing import FlaskClient

from dashboard.actions.answers import RejectedActionError, send_answer
from dashboard.web.accounts import ROLES, Accounts, Person
from dashboard.web.serve import CannotServeError, collector_token
from dashboard.web.sessions import TRIES, WITHIN_S, Tries, ask_who
from monitor.__main__ import main
from tests.shell.works import configs_at

PASSWORD = "a long password"


@pytest.fixture
def accounts(tmp_path) -> Accounts:
    made = Accounts(tmp_path / "accounts.json")
    made.put("Mira", "answer alarms", PASSWORD)
    made.put("Olle", "look", PASSWORD)
    return made


@pytest.fixture
def time_now() -> list[float]:
    return [1000.0]


@pytest.fixture
def door(app, accounts, time_now) -> FlaskClient:
    ask_who(app.server, accounts, "Tarn", lambda: time_now[0], tls=True)
    return app.server.test_client()


def enter(door: FlaskClient, name: str, password: str, token: str | None = None):
    page = door.get("/enter", base_url="https://localhost").get_data(as_text=True)
    found = re.search(r'name="token" value="([^"]+)"', page)
    given = token if token is not None else found.group(1) if found else ""
    return door.post(
        "/enter", data={"name": name, "password": password, "token": given}, base_url="https://localhost"
    )  # fmt: skip


def test_the_file_holds_no_password_and_only_its_owner_reads_it(accounts):
    text = accounts.path.read_text()
    assert PASSWORD not in text
    assert text.count("$argon2id$") == 2
    for path in (accounts.path, accounts.path.with_suffix(".key")):
        accounts.key()
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert accounts.key() == Accounts(accounts.path).key()


def test_a_person_enters_by_their_own_password_only(accounts):
    assert accounts.enter("Mira", PASSWORD) == Person("Mira", "answer alarms")
    assert accounts.enter("Mira", PASSWORD + "x") is None
    assert accounts.enter("nobody", "nobody has this password") is None


@pytest.mark.parametrize(
    ("name", "role", "password", "says"),
    [("", "look", PASSWORD, "1 to 80"), ("A", "king", PASSWORD, "a role of"), ("A", "look", "short", "at least 12")],
)
def test_what_is_no_account_is_refused(accounts, name, role, password, says):
    with pytest.raises(ValueError, match=says):
        accounts.put(name, role, password)


def test_each_role_may_what_those_before_it_may():
    for i, role in enumerate(ROLES):
        assert [Person("x", role).may(what) for what in ROLES] == [j <= i for j in range(len(ROLES))]


def test_nothing_is_seen_without_a_session(door):
    assert door.get("/").status_code == 302
    assert door.get("/api/v1/live").status_code == 401
    assert door.post("/_dash-update-component").status_code == 401
    assert door.get("/_dash-layout").status_code == 401


def test_with_the_password_the_pages_open_and_after_leaving_they_do_not(door):
    assert enter(door, "Mira", PASSWORD).headers["Location"] == "/"
    assert door.get("/api/v1/live", base_url="https://localhost").status_code == 200
    assert door.post("/leave", base_url="https://localhost").status_code == 302
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


def test_tries_are_counted_for_each_key_and_forgotten():
    now = [0.0]
    tries = Tries(lambda: now[0])
    for _ in range(TRIES):
        tries.failed("name a", "from 1")
    assert tries.shut("name a", "from 2")
    assert tries.shut("name b", "from 1")
    assert not tries.shut("name b", "from 2")
    now[0] = WITHIN_S + 1
    assert not tries.shut("name a", "from 1")


def test_an_account_that_is_removed_is_out_at_once(door, accounts):
    enter(door, "Mira", PASSWORD)
    accounts.remove("Mira")
    assert door.get("/api/v1/live", base_url="https://localhost").status_code == 401


def test_who_may_only_look_does_not_answer_and_who_may_bears_their_own_name(app, context, accounts, gateway):
    with app.server.test_request_context():
        g.person = Person("Olle", "look")
        with pytest.raises(
            RejectedActionError, match="The account Olle has the role 'look'; 'answer alarms' is required"
        ):
            send_answer(context, "x", "acknowledge", "somebody else", "", None)
        g.person = Person("Mira", "answer alarms")
        with pytest.raises(RejectedActionError, match="Enter a reason: others must know why this alarm is shelved"):
            send_answer(context, "x", "shelve", "somebody else", "", None)
    assert gateway.sent == []


def test_the_command_makes_lists_and_removes(tmp_path, capsys, monkeypatch):
    configs, *_ = configs_at(tmp_path)
    works = configs / "works.toml"
    file = f'accounts_file = "{tmp_path}/accounts.json"'
    works.write_text(works.read_text().replace("[wire]", f"{file}\n\n[wire]"))
    words = ["account", "--configs", str(configs)]
    monkeypatch.setattr("sys.stdin", io.StringIO(PASSWORD + "\n"))
    assert main([*words, "Mira", "--role", "administer", "--password-stdin"]) == 0
    assert main(words) == 0
    assert capsys.readouterr().out == "Mira: administer\n"
    assert main([*words, "Nils", "--remove"]) == 2
    assert main([*words, "Mira", "--remove"]) == 0
    assert "no account 'Nils'" in capsys.readouterr().err


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


@pytest.mark.parametrize("text", [None, "short"])
def test_a_token_file_that_will_not_do_is_named(tmp_path, text):
    file = tmp_path / "token"
    if text is not None:
        file.write_text(text)
    with pytest.raises(CannotServeError, match="token"):
        collector_token(str(file))
