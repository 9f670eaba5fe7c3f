"""Sessions on the server: they outlast a restart, end when unused, and the file holds no token."""

import stat
from pathlib import Path

import pytest

from dashboard.web.accounts import Accounts
from dashboard.web.sessions import SESSION_S, SessionList

PASSWORD = "a long password"


@pytest.fixture
def time_now() -> list[float]:
    return [1000.0]


@pytest.fixture
def sessions(tmp_path: Path, time_now: list[float]) -> SessionList:
    accounts = Accounts(tmp_path / "accounts.json")
    accounts.put("Mira", "look", PASSWORD)
    return SessionList(accounts=accounts, clock=lambda: time_now[0])


def test_a_session_outlasts_a_restart_and_ends_for_all_when_it_is_ended(sessions):
    token = sessions.begin("Mira")
    other = SessionList(accounts=Accounts(sessions.accounts.path), clock=sessions.clock)
    assert other.person(token).name == "Mira"
    other.end(token)
    assert sessions.person(token) is None


def test_a_session_lasts_while_it_is_used_and_ends_unused(sessions, time_now):
    token = sessions.begin("Mira")
    for _ in range(5):
        time_now[0] += SESSION_S * 0.7
        assert sessions.person(token).name == "Mira"
    time_now[0] += SESSION_S
    assert sessions.person(token) is None
    sessions.begin("Mira")
    assert sessions.path.read_text().count('"name"') == 1, "those that ended are kept no longer"


def test_the_file_holds_no_token_and_only_its_owner_reads_it(sessions):
    token = sessions.begin("Mira")
    assert token not in sessions.path.read_text()
    assert stat.S_IMODE(sessions.path.stat().st_mode) == 0o600


@pytest.mark.parametrize("text", ["", "{", '{"a": 1}'])
def test_a_damaged_file_holds_no_session(sessions, text):
    token = sessions.begin("Mira")
    sessions.path.write_text(text)
    assert sessions.person(token) is None
    assert sessions.person(sessions.begin("Mira")).name == "Mira"


def test_a_token_that_was_never_given_out_is_nobodys(sessions):
    assert sessions.person("") is None
    assert sessions.person("x" * 43) is None
