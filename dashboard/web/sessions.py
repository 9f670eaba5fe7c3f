"""Sessions on the server: a copied cookie is useless once its session has ended."""

import hashlib
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from dashboard.web.accounts import Accounts, Person, write_private

SESSION_S = 12 * 3600.0


class Session(msgspec.Struct, frozen=True):
    """Its person, the digest of the password hash that it began with, and its expiry."""

    name: str
    password: str
    until_s: float


@dataclass(slots=True, kw_only=True)
class SessionList:
    """Sessions by the digest of their token, in a file beside the accounts, so that they survive a restart.

    One ends when its person signs out, when the account is removed or gets another password, or unused for 12 h.
    """

    accounts: Accounts
    clock: Callable[[], float]
    _found: dict[str, Session] = field(default_factory=dict)
    _of: tuple[int, int] | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def path(self) -> Path:
        return self.accounts.path.with_suffix(".sessions")

    def begin(self, name: str) -> str:
        """A new session of a person; returns its token, which nobody else has ever seen."""
        token = secrets.token_urlsafe(32)
        with self._lock:
            self._write(self._read() | {_digest(token): self._session(name)})
        return token

    def person(self, token: str) -> Person | None:
        """The person of a session, while it is valid."""
        key, now_s = _digest(token), self.clock()
        with self._lock:
            found = self._read().get(key)
            if found is None or found.until_s <= now_s or found.password != self._password(found.name):
                return None
            if found.until_s < now_s + SESSION_S / 2:
                self._write(self._found | {key: self._session(found.name)})
        return self.accounts.person(found.name)

    def end(self, token: str) -> None:
        """End a session."""
        with self._lock:
            self._write({k: s for k, s in self._read().items() if k != _digest(token)})

    def _session(self, name: str) -> Session:
        return Session(name, self._password(name), self.clock() + SESSION_S)

    def _password(self, name: str) -> str:
        return _digest(self.accounts.all().get(name, {}).get("hash", ""))

    def _read(self) -> dict[str, Session]:
        stat = self.path.stat() if self.path.is_file() else None
        of = (stat.st_mtime_ns, stat.st_size) if stat else None
        if of != self._of:
            try:
                self._found = msgspec.json.decode(self.path.read_bytes(), type=dict[str, Session])
            except (OSError, msgspec.DecodeError):  # damaged or gone: people sign in again
                self._found = {}
            self._of = of
        return self._found

    def _write(self, sessions: dict[str, Session]) -> None:
        now_s = self.clock()
        write_private(self.path, msgspec.json.encode({k: s for k, s in sessions.items() if s.until_s > now_s}))
        self._of = None


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
