"""Accounts of people: names, roles and argon2 hashes in one file, made by `everymetre account`. No default password."""

import json
import os
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError

ROLES = ("look", "answer alarms", "change limits", "administer")
SHORTEST = 12
HASHER = PasswordHasher()


@cache
def _nobody() -> str:
    """A hash that is verified for unknown names, so that they take as long."""
    return HASHER.hash("nobody has this password")


@dataclass(frozen=True, slots=True)
class Person:
    """A person and their role; each role includes the ones before it."""

    name: str
    role: str

    def may(self, what: str) -> bool:
        return ROLES.index(self.role) >= ROLES.index(what)


@dataclass(slots=True)
class Accounts:
    """The accounts of a file, read again when it changes."""

    path: Path
    _read: dict[str, dict[str, str]] = field(default_factory=dict)
    _of: tuple[int, int] | None = None

    def __bool__(self) -> bool:
        return bool(self.all())

    def all(self) -> dict[str, dict[str, str]]:
        """Role and hash by name; none where there is no file. ValueError for a file that is no accounts file."""
        if not self.path.is_file():
            return {}
        stat = self.path.stat()
        if self._of != (stat.st_mtime_ns, stat.st_size):
            self._read, self._of = _parsed(self.path), (stat.st_mtime_ns, stat.st_size)
        return self._read

    def person(self, name: str) -> Person | None:
        """The person of a name, by the file as it is now."""
        found = self.all().get(name)
        return Person(name, found["role"]) if found else None

    def enter(self, name: str, password: str) -> Person | None:
        """The person, if the password is right."""
        found, nobody = self.all().get(name), _nobody()
        try:
            HASHER.verify(found["hash"] if found else nobody, password)
        except (Argon2Error, InvalidHashError):
            return None
        return Person(name, found["role"]) if found else None

    def put(self, name: str, role: str, password: str) -> None:
        """Make an account or change it. ValueError where name, role or password is not allowed."""
        if not name.strip() or len(name) > 80 or name != name.strip():
            raise ValueError(f"expected a name of 1 to 80 characters, got {name!r}")
        if role not in ROLES:
            raise ValueError(f"expected a role of {', '.join(ROLES)}, got {role!r}")
        if len(password) < SHORTEST:
            raise ValueError(f"expected a password of at least {SHORTEST} characters, got {len(password)}")
        self._write(self.all() | {name: {"role": role, "hash": HASHER.hash(password)}})

    def remove(self, name: str) -> None:
        """Remove an account. ValueError where there is none of that name."""
        if name not in self.all():
            raise ValueError(f"no account {name!r}")
        self._write({n: a for n, a in self.all().items() if n != name})

    def key(self) -> bytes:
        """The secret that signs sessions, made at the first start; only its owner can read it."""
        path = self.path.with_suffix(".key")
        if not path.is_file():
            write_private(path, os.urandom(32))
        return path.read_bytes()

    def _write(self, accounts: dict[str, dict[str, str]]) -> None:
        write_private(self.path, json.dumps({"accounts": accounts}, indent=1).encode())


def _parsed(path: Path) -> dict[str, dict[str, str]]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))["accounts"]
        if not all(set(a) == {"role", "hash"} and a["role"] in ROLES for a in found.values()):
            raise ValueError("an account has other fields or another role")
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise ValueError(f"{path} is no accounts file ({error}); make it with `everymetre account`") from error
    return dict(found)


def write_private(path: Path, data: bytes) -> None:
    """Write a file, whole or not at all, that only its owner can read."""
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = path.with_name(f"{path.name}.aside")
    aside.unlink(missing_ok=True)
    with os.fdopen(os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(data)
    aside.replace(path)
