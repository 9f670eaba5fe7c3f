"""Who may come in and what they may do."""

import stat

import pytest

from dashboard.web.accounts import ROLES, Accounts, Person
from tests.dashboard.conftest import PASSWORD


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
