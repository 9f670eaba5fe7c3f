"""One writer for each line: a lease that ends with its process, however the process ends.

On SQLite it is a lock of the operating system on a file for each line in the store's folder; on PostgreSQL an advisory
lock for each line, held by a connection of its own. Both are released by the system when the process is killed.
"""

import errno
import fcntl
import hashlib
import os
import socket
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryFile
from typing import Protocol

import msgspec
from sqlalchemy import Connection, NullPool, create_engine, text
from sqlalchemy.exc import SQLAlchemyError

from monitor.contract.config.works import Store
from monitor.contract.part import CannotRunError
from monitor.store.server import FILE, server_url

PREFIX = "everymetre "  # of the application's name on the server, by which connections that hold a lease are known
# A holder that vanished with its machine loses its lease within some 20 s; one that lost the server notices as soon.
KEEPALIVE = {"keepalives_idle": 5, "keepalives_interval": 5, "keepalives_count": 3, "tcp_user_timeout": 20_000}
SERVER_KEEPALIVE = "-c tcp_keepalives_idle=5 -c tcp_keepalives_interval=5 -c tcp_keepalives_count=3"


class LeaseHeldError(CannotRunError):
    """Another process writes one of the lines."""


class LeaseLostError(Exception):
    """The lease is gone while the process runs: another may write the lines from now on, so this one must not."""


class Holder(msgspec.Struct, frozen=True):
    """A process that holds a lease: `HOST:PID`, and since when (UTC)."""

    process: str
    since: str

    def __str__(self) -> str:
        host, _, pid = self.process.rpartition(":")
        return f"process {pid} on {host}, since {self.since}"


class Lease(Protocol):
    """Held lines. `check` raises LeaseLostError where they no longer are."""

    def check(self) -> None: ...

    def close(self) -> None: ...


@contextmanager
def hold(settings: Store, lines: Collection[str], now_s: float) -> Iterator[Lease]:
    """Hold the lines of a store while the block runs. LeaseHeldError where another process holds one of them.

    CannotRunError where the store's folder cannot be written.
    """
    _want_writable(Path(settings.folder))
    me = Holder(own_name(), f"{datetime.fromtimestamp(now_s, UTC):%Y-%m-%d %H:%M:%S} UTC")
    lease: Lease
    if settings.database_url:
        lease = ServerLease.take(settings.database_url, sorted(lines), me)
    else:
        lease = FileLease.take(Path(settings.folder), sorted(lines), me)
    try:
        yield lease
    finally:
        lease.close()


def _want_writable(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with TemporaryFile(dir=folder):
            pass
        if (folder / FILE).exists() and not os.access(folder / FILE, os.W_OK, effective_ids=True):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(folder / FILE))
    except OSError as error:
        raise CannotRunError(
            f"The store's folder {folder.absolute()} cannot be written ({error.strerror}: {error.filename}). "
            "Give this user the right to write in it and below, or name another folder under [store] folder."
        ) from error


def own_name() -> str:
    """This process among all that may share a store."""
    return f"{socket.gethostname()[:40]}:{os.getpid()}"


def _held(line: str, holder: Holder | None) -> LeaseHeldError:
    by = holder or "another process"
    return LeaseHeldError(
        f"Line {line} is already written by {by}. Two monitors must not write one line: "
        "stop that one first, or give this one other lines with --lines."
    )


# ---- files -----------------------------------------------------------------------------------------------------


def _folder(store: Path) -> Path:
    return store / "leases"


@dataclass(frozen=True, slots=True)
class FileLease:
    """Locks on files, by path."""

    files: dict[Path, int] = field(default_factory=dict)

    @classmethod
    def take(cls, store: Path, lines: Sequence[str], me: Holder) -> "FileLease":
        """LeaseHeldError where another process holds one of the lines; then none is held."""
        lease = cls()
        _folder(store).mkdir(parents=True, exist_ok=True)
        for line in lines:
            path = _folder(store) / f"{line}.lock"
            file = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
            if not _lock(file):
                holder = _read(file)
                os.close(file)
                lease.close()
                raise _held(line, holder)
            os.ftruncate(file, 0)
            os.pwrite(file, msgspec.json.encode(me), 0)
            lease.files[path] = file
        return lease

    def check(self) -> None:
        """LeaseLostError where a lock's file was removed or replaced: another process could lock the new one."""
        for path, file in self.files.items():
            try:
                same = os.path.samestat(path.stat(), os.fstat(file))
            except FileNotFoundError:
                same = False
            if not same:
                raise LeaseLostError(f"{path}, by which this process alone writes the line, was removed")

    def close(self) -> None:
        """Release. The files stay: to remove one would let two processes lock two files of the same name."""
        for file in self.files.values():
            os.close(file)
        self.files.clear()


def _lock(file: int) -> bool:
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _read(file: int) -> Holder | None:
    try:
        return msgspec.json.decode(os.pread(file, 1000, 0), type=Holder)
    except msgspec.DecodeError:  # it has just been locked
        return None


# ---- server ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ServerLease:
    """Advisory locks of one connection that does nothing else."""

    connection: Connection

    @classmethod
    def take(cls, address: str, lines: Sequence[str], me: Holder) -> "ServerLease":
        """LeaseHeldError where another process holds one of the lines; then none is held."""
        known = {"application_name": PREFIX + me.process, "connect_timeout": 10, "options": SERVER_KEEPALIVE}
        engine = create_engine(
            server_url(address), poolclass=NullPool, isolation_level="AUTOCOMMIT", connect_args=known | KEEPALIVE
        )
        try:
            lease = cls(engine.connect())
        except SQLAlchemyError as error:
            raise CannotRunError(f"The database server of the store cannot be reached: {_why(error)}") from error
        for line in lines:
            if not lease.connection.execute(text("select pg_try_advisory_lock(:key)"), {"key": _key(line)}).scalar():
                holder = _holder(lease.connection, line)
                lease.close()
                raise _held(line, holder)
        return lease

    def check(self) -> None:
        """LeaseLostError where the connection, and with it the locks, is gone."""
        try:
            self.connection.execute(text("select 1"))
        except SQLAlchemyError as error:
            raise LeaseLostError(f"the connection that holds the lease of the lines is lost: {_why(error)}") from error

    def close(self) -> None:
        """Release, by ending the connection."""
        self.connection.close()


def _why(error: SQLAlchemyError) -> str:
    return str(error).splitlines()[0]


def _key(line: str) -> int:
    """Key of a line's advisory lock: 64 bits, signed, of a digest."""
    return int.from_bytes(hashlib.sha256(f"everymetre line {line}".encode()).digest()[:8], signed=True)


def _holder(connection: Connection, line: str) -> Holder | None:
    wanted = text(
        "select a.application_name as name,"
        " to_char(a.backend_start at time zone 'utc', 'YYYY-MM-DD HH24:MI:SS') as since"
        " from pg_locks l join pg_stat_activity a on a.pid = l.pid"
        " where l.locktype = 'advisory' and l.granted and l.objsubid = 1"
        " and l.database = (select oid from pg_database where datname = current_database())"
        " and ((l.classid::bigint << 32) | l.objid::bigint) = :key"
    )
    row = connection.execute(wanted, {"key": _key(line)}).first()
    return Holder(row.name.removeprefix(PREFIX), f"{row.since} UTC") if row else None
