"""The disk of the world: it counts every step of the store, dies at one of them, is full for a while, and is slow."""

import os
import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

import pytest
from sqlalchemy import Engine, event

WAL = "record.sqlite-wal"


class Killed(BaseException):
    """The process ended here, as by kill -9 or a power cut."""


@dataclass(frozen=True, slots=True)
class Rename:
    """A file got the name of another, in a folder that has not been flushed since: a power cut may undo it."""

    source: Path
    target: Path
    before: bytes | None  # what the target held
    flushed: bool  # whether the content is on the disk, whatever becomes of the name


@dataclass(slots=True)
class Disk:
    """Steps are SQL statements, commits, and file operations. After one that dies every further step dies too."""

    folder: Path
    rng: random.Random
    pass_time: Callable[[float], None]
    slow_s: float = 0.0
    full: bool = False
    kill_after: int | None = None
    dead: bool = False
    steps: int = 0
    synced_bytes: int = 0
    renames: list[Rename] = field(default_factory=list)
    _flushed: set[tuple[int, int]] = field(default_factory=set)  # device and inode of files

    def step(self, writes: bool = True) -> None:
        """One operation; raises Killed where the process dies, OSError where it writes and the disk is full."""
        self.steps += 1
        if self.kill_after is not None:
            self.kill_after -= 1
            if self.kill_after < 0:
                self.dead = True
        if self.dead:
            raise Killed
        if self.full and writes:
            raise OSError(28, "No space left on device")
        if self.slow_s:
            self.pass_time(self.rng.uniform(0.0, self.slow_s))

    def committed(self) -> None:
        """Everything in the write-ahead log up to here is synchronised."""
        wal = self.folder / WAL
        self.synced_bytes = wal.stat().st_size if wal.exists() else 0

    def renamed(self, source: Path, target: Path) -> None:
        """A file is about to get a name."""
        at = source.stat()
        before = target.read_bytes() if target.exists() else None
        flushed = (at.st_dev, at.st_ino) in self._flushed
        names = source.relative_to(self.folder), target.relative_to(self.folder)
        self.renames.append(Rename(*names, before, flushed))

    def flushed(self, file: int) -> None:
        """A file, or the names in a folder, are on the disk."""
        at = os.fstat(file)
        self._flushed.add((at.st_dev, at.st_ino))
        self.renames = [r for r in self.renames if not os.path.samestat((self.folder / r.target).parent.stat(), at)]

    def crashed_copy(self, to: Path) -> Path:
        """What a power cut leaves: all that was synchronised, and a torn or damaged piece of what was not."""
        shutil.copytree(self.folder, to, ignore=shutil.ignore_patterns("*-shm"), copy_function=_copy)
        for rename in reversed(self.renames):
            self._cut_rename(to, rename)
        wal = to / WAL
        if wal.exists() and wal.stat().st_size > self.synced_bytes:
            data = wal.read_bytes()
            keep = self.rng.randrange(self.synced_bytes, len(data) + 1)
            torn = bytearray(data[:keep])
            if keep > self.synced_bytes and self.rng.random() < 0.5:
                torn[self.rng.randrange(self.synced_bytes, keep)] ^= 0xFF
            wal.write_bytes(bytes(torn))
        return to

    def _cut_rename(self, to: Path, rename: Rename) -> None:
        """The name is the old one again, or the new one has nothing of a content that was not flushed."""
        source, target = to / rename.source, to / rename.target
        if self.rng.random() < 0.5:
            target.rename(source)  # `replace` is counted
            if rename.before is not None:
                target.write_bytes(rename.before)
        elif not rename.flushed:
            target.unlink()
            target.touch()


def _copy(source: str, target: str) -> None:
    """Files of hours and drums are written once: another name is as good as a copy."""
    if source.endswith(".parquet"):
        os.link(source, target)
    else:
        shutil.copy2(source, target)


@contextmanager
def file_steps(disk: Callable[[], Disk]) -> Iterator[None]:
    """Renames of files are steps of the disk as well, and it knows what was flushed."""
    with pytest.MonkeyPatch.context() as patch:
        replace, fsync = Path.replace, os.fsync

        def counted(self: Path, target: Path) -> Path:
            disk().step()
            disk().renamed(self, target)
            done = replace(self, target)
            disk().step()
            return done

        def flush(file: int) -> None:
            fsync(file)
            disk().flushed(file)

        patch.setattr(Path, "replace", counted)
        patch.setattr(os, "fsync", flush)
        yield


@contextmanager
def database_steps(disk: Callable[[], Disk]) -> Iterator[None]:
    """So are SQL statements and commits, but for the settings of a connection.

    They are counted in the driver: SQLAlchemy's own events cost as much as the statements.
    """

    def step(writes: bool = True) -> None:
        try:
            disk().step(writes)
        except OSError as error:
            raise sqlite3.OperationalError("database or disk is full") from error

    class Cursor(sqlite3.Cursor):
        def execute(self, statement: str, *parameters: Any) -> Self:
            if not statement.startswith("PRAGMA"):
                step(writes=not statement.startswith(("SELECT", "select")))
            return super().execute(statement, *parameters)

        def executemany(self, statement: str, parameters: Any, /) -> Self:
            step()
            return super().executemany(statement, parameters)

    class Connection(sqlite3.Connection):
        def cursor(self, _: Any = None) -> Any:
            return super().cursor(Cursor)

        def commit(self) -> None:
            step()
            super().commit()

    def connect(_: object, __: object, places: list[Any], settings: dict[str, Any]) -> sqlite3.Connection:
        return sqlite3.connect(*places, factory=Connection, **settings)

    event.listen(Engine, "do_connect", connect)
    try:
        yield
    finally:
        event.remove(Engine, "do_connect", connect)
