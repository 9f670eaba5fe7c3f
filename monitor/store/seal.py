"""The digest of SQLite's file as the last monitor left it: shows damage that happened while no monitor ran.

SQLite checks the structure of its pages but not their content. The seal is beside the file, with size and time
of its last change: a file that was written since is another one, of which the seal says nothing. What is still in the
write-ahead log is under SQLite's own checksums.
"""

import hashlib
import os
from pathlib import Path

import msgspec
from sqlalchemy import Engine

SUFFIX = ".seal"
LOOK_MAX_BYTES = 4 << 30  # a start and a stop read so much of a file: seconds; beyond it only `everymetre doctor` does
WAIT_MS = 1000  # for readers and other writers


class Seal(msgspec.Struct, frozen=True):
    """A file as it was left: bytes, UTC ns of its last change, SHA-256 in hexadecimal."""

    size_bytes: int
    changed_ns: int
    sha256: str


def set_seal(engine: Engine, path: Path) -> bool:
    """Move the log into the file and seal it. False where that is not possible, as while others write; OSError.

    A file of more than `LOOK_MAX_BYTES` is not sealed.
    """
    if path.stat().st_size > LOOK_MAX_BYTES:
        return False
    with engine.connect() as connection:
        connection.exec_driver_sql(f"PRAGMA busy_timeout={WAIT_MS}")
        busy, _, _ = connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)").one()
    if busy:
        return False
    engine.dispose()  # a process that closes a file, as reading it does, loses its locks on it, SQLite's too
    before = path.stat()
    digest = _sha256(path)
    after = path.stat()
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        return False
    aside = path.with_name(f"{path.name}{SUFFIX}.aside")
    with aside.open("wb") as file:
        file.write(msgspec.json.encode(Seal(after.st_size, after.st_mtime_ns, digest)))
        file.flush()
        os.fsync(file.fileno())
    aside.replace(path.with_name(path.name + SUFFIX))
    return True


def is_as_sealed(path: Path) -> bool | None:
    """Whether a file is what its seal says; None where it has none, or was written since. OSError where it has gone."""
    try:
        seal = msgspec.json.decode(path.with_name(path.name + SUFFIX).read_bytes(), type=Seal)
    except (OSError, msgspec.MsgspecError):
        return None
    found = path.stat()
    if (found.st_size, found.st_mtime_ns) != (seal.size_bytes, seal.changed_ns):
        return None
    return _sha256(path) == seal.sha256


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
