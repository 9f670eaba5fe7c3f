"""One writer for each line: a lease that ends with its process, however the process ends.

On SQLite it is a lock of the operating system on a file for each line in the store's folder; on PostgreSQL an advisory
lock for each line, held by a connection of its own. Both are released by the system when the process is killed.

A process may lose its connection, and with it the lines, without noticing at once. So each of its transactions proves
at its end that the lease is still held, and a new holder waits for those that have proved it and are not done yet.
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
from sqlalchemy import Connection, NullPool, create_engine, func, select, text
from sqlalchemy.exc import SQLAlchemyError

from monitor.contract.command import CannotRunError
from monitor.contract.config.works import Store
from monitor.store.schema import LEDGER, SCHEMA_VERSION
from monitor.store.server import FILE, KEEPALIVE, SERVER_KEEPALIVE, server_url

PREFIX = "everymetre "  # of the application's name on the server, by which connections that hold a lease are known
DRAIN_S = 60  # a new holder waits so long for the last transaction of the one before


class LeaseHeldError(CannotRunError):
    """Another process writes one of the lines."""


class LeaseLostError(CannotRunError):
    """The lease is gone while the process runs: another may write the lines from now on, so this one must not."""


class Holder(msgspec.Struct, frozen=True):
    """A process that holds a lease: `HOST:PID`, since when (UTC), and the version of the tables that it writes."""

    process: str
    since: str
    version: int = 0  # where its program did not enter it

    def __str__(self) -> str:
        host, _, pid = self.process.rpartition(":")
        return f"process {pid} on {host}, since {self.since}"


class Lease(Protocol):
    """Held lines."""

    def check(self) -> None:
        """LeaseLostError where they are no longer held."""

    def fence(self, connection: Connection) -> None:
        """At the end of a writer's transaction: held until it is done. LeaseLostError where they no longer are."""

    def close(self) -> None:
        """Release."""


@contextmanager
def hold(settings: Store, lines: Collection[str], now_s: float) -> Iterator[Lease]:
    """Hold the lines of a store while the block runs. LeaseHeldError where another process holds one of them.

    CannotRunError where the store's folder cannot be written.
    """
    _want_writable(Path(settings.folder))
    me = Holder(own_name(), f"{datetime.fromtimestamp(now_s, UTC):%Y-%m-%d %H:%M:%S} UTC", SCHEMA_VERSION)
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


def older_writers(settings: Store, connection: Connection) -> list[str]:
    """Other processes that write lines of a store and know an older version of its tables only, each in words."""
    found = _held_on_server(connection) if settings.database_url else _held_in_files(Path(settings.folder))
    older: dict[Holder, list[str]] = {}
    for holder, line in found:
        if holder.process != own_name() and holder.version < SCHEMA_VERSION:
            older.setdefault(holder, []).append(line)
    return [f"{holder} ({', '.join(sorted(lines))})" for holder, lines in older.items()]


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

    def fence(self, _: Connection) -> None:
        """Nothing: the locks are the system's, and end with the process."""

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


def _held_in_files(store: Path) -> Iterator[tuple[Holder, str]]:
    for path in sorted(_folder(store).glob("*.lock")):
        file = os.open(path, os.O_RDWR)
        try:
            if not _lock(file):
                yield _read(file) or Holder("an unknown host:?", "a moment ago"), path.stem
        finally:
            os.close(file)


# ---- server ----------------------------------------------------------------------------------------------------

LOST = "the connection that holds the lease of the lines is lost"
ADVISORY = (
    " from pg_locks l join pg_stat_activity a on a.pid = l.pid where l.locktype = 'advisory' and l.granted"
    " and l.objsubid = 1 and l.database = (select oid from pg_database where datname = current_database())"
)
KEY = "((l.classid::bigint << 32) | l.objid::bigint)"
HOLDERS = text(
    f"select {KEY} as key, a.application_name as name,"
    " to_char(a.backend_start at time zone 'utc', 'YYYY-MM-DD HH24:MI:SS') as since"
    f"{ADVISORY} and a.application_name like :prefix"
)
SHARE = "select pg_advisory_xact_lock_shared(key) from unnest(cast(%(keys)s as bigint[])) as key"
HELD = (
    "select count(*) from pg_locks l where l.locktype = 'advisory' and l.granted and l.objsubid = 1"
    f" and l.pid = %(pid)s and {KEY} = any(cast(%(keys)s as bigint[]))"
)


@dataclass(slots=True)
class ServerLease:
    """Advisory locks of one connection that does nothing else."""

    connection: Connection
    process: int  # the server's, which holds the locks
    lines: Sequence[str]
    _keys: list[int] = field(init=False)
    _writing: list[int] = field(init=False)  # held by transactions of these lines from their proof until they are done

    @classmethod
    def take(cls, address: str, lines: Sequence[str], me: Holder) -> "ServerLease":
        """LeaseHeldError where another process holds one of the lines; then none is held."""
        known = {
            "application_name": f"{PREFIX}v{me.version} {me.process}", "connect_timeout": 10,
            "options": f"{SERVER_KEEPALIVE} -c lock_timeout={DRAIN_S}s",
        }  # fmt: skip
        engine = create_engine(
            server_url(address), poolclass=NullPool, isolation_level="AUTOCOMMIT", connect_args=known | KEEPALIVE
        )
        try:
            connection = engine.connect()
        except SQLAlchemyError as error:
            raise CannotRunError(f"The database server of the store cannot be reached: {_why(error)}") from error
        try:
            process = connection.execute(select(func.pg_backend_pid())).scalar_one()
            lease = cls(connection, process, tuple(lines))
            lease._lock()
        except BaseException:
            connection.close()
            raise
        return lease

    def __post_init__(self) -> None:
        self._keys = [_key(line) for line in self.lines]
        self._writing = [_key(f"{line}, transactions") for line in self.lines]

    def _lock(self) -> None:
        for line, key in zip(self.lines, self._keys, strict=True):
            if not self._scalar("select pg_try_advisory_lock(:key)", key=key):
                raise _held(line, _holder(self.connection, line))
        try:
            for key in self._writing:
                self._scalar("select pg_advisory_lock(:key)", key=key)
                self._scalar("select pg_advisory_unlock(:key)", key=key)
        except SQLAlchemyError as error:
            raise CannotRunError(
                f"The last transaction of an earlier monitor of {', '.join(self.lines)} has not ended within "
                f"{DRAIN_S} s: {_why(error)}. Start this one again."
            ) from error

    def _scalar(self, statement: str, **values: object) -> object:
        return self.connection.execute(text(statement), values).scalar()

    def check(self) -> None:
        """LeaseLostError where the connection, and with it the locks, is gone."""
        try:
            self._scalar("select 1")
        except SQLAlchemyError as error:
            raise LeaseLostError(f"{LOST}: {_why(error)}") from error

    def fence(self, connection: Connection) -> None:
        """First the keys for which a new holder waits, then the look whether there may be one."""
        connection.exec_driver_sql(SHARE, {"keys": self._writing})
        held = connection.exec_driver_sql(HELD, {"keys": self._keys, "pid": self.process}).scalar()
        if held != len(self._keys):
            raise LeaseLostError(LOST)

    def close(self) -> None:
        """Release, by ending the connection."""
        self.connection.close()


def _why(error: SQLAlchemyError) -> str:
    return str(error).splitlines()[0]


def _key(line: str) -> int:
    """Key of a line's advisory lock: 64 bits, signed, of a digest."""
    return int.from_bytes(hashlib.sha256(f"everymetre line {line}".encode()).digest()[:8], signed=True)


def _holder(connection: Connection, line: str) -> Holder | None:
    return next((holder for key, holder in _holders(connection) if key == _key(line)), None)


def _held_on_server(connection: Connection) -> Iterator[tuple[Holder, str]]:
    lines = connection.execute(select(LEDGER.c.line).distinct()).scalars()
    names = {_key(line): line for line in lines}
    for key, holder in _holders(connection):
        yield holder, names.get(key, "a line without messages")


def _holders(connection: Connection) -> Iterator[tuple[int, Holder]]:
    """Who holds a lease of the database, by key of the line."""
    for row in connection.execute(HOLDERS, {"prefix": f"{PREFIX}%"}):
        version, _, process = row.name.removeprefix(PREFIX).rpartition(" ")
        number = version.removeprefix("v")
        yield row.key, Holder(process, f"{row.since} UTC", int(number) if number.isdigit() else 0)
