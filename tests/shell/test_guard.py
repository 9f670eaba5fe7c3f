"""A monitor ends when its lines are no longer its own, also where that cannot be found out for long."""

import asyncio
from collections.abc import Callable

import pytest
from sqlalchemy import Connection, create_engine

from monitor.shell import service
from monitor.store.lease import Lease, LeaseLostError


class Ended(BaseException):
    """In place of the process's end."""


class StubLease(Lease):
    """Answers of a lease, one a look."""

    def __init__(self, *answers: Exception | None) -> None:
        self.answers, self.looks = list(answers), 0

    def fence(self, _: Connection) -> None:
        raise AssertionError("nothing is written here")

    def close(self) -> None:
        raise AssertionError("nothing is released here")

    def check(self) -> None:
        self.looks += 1
        answer = self.answers.pop(0) if self.answers else LeaseLostError("asked often enough")
        if answer is not None:
            raise answer


@pytest.fixture
def watched(monkeypatch: pytest.MonkeyPatch) -> Callable[[StubLease], int]:
    """Looks at a lease until the process would end; returns how many looks that took."""

    def end() -> None:
        raise Ended

    monkeypatch.setattr(service, "LEASE_EVERY_S", 0.0)
    monkeypatch.setattr(service, "_end_at_once", end)
    monkeypatch.setattr("monitor.store.upgrade.check", lambda _: None)

    def run(lease: StubLease) -> int:
        with pytest.raises(Ended):
            asyncio.run(service._guard(lease, create_engine("sqlite://")))
        return lease.looks

    return run


STALE = OSError(116, "Stale file handle")


def test_a_passing_error_does_not_end_the_watch(watched):
    assert watched(StubLease(None, STALE, None, STALE, STALE, None)) == 7


def test_a_lease_that_cannot_be_checked_for_long_is_taken_as_lost(watched, caplog):
    assert watched(StubLease(*[STALE] * 100)) == service.LEASE_UNKNOWN_MAX
    assert "could not be checked 15 times in a row" in caplog.text
