"""The disk of the world: it counts every step of the store, dies at one of them, is full for a while, and is slow."""

import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event

WAL = "record.sqlite-wal"


class Killed(BaseException):
    """The process ended here, as by kill -9 or a power cut."""


@dataclass(slots=True)
class Disk:
    """Steps are SQL statements, commits, and file operations. After `die` every further step dies too."""

    folder: Path
    rng: random.Random
    pass_time: Callable[[float], None]
    slow_s: float = 0.0
    full: bool = False
    kill_after: int | None = None
    dead: bool = False
    steps: int = 0
    synced_bytes: int = 0

    def step(self) -> None:
        """One operation; raises Killed where the process dies, OSError where the disk is full."""
        self.steps += 1
        if self.kill_after is not None:
            self.kill_after -= 1
            if self.kill_after < 0:
                self.dead = True
        if self.dead:
            raise Killed
        if self.full:
            raise OSError(28, "No space left on device")
        if self.slow_s:
            self.pass_time(self.rng.uniform(0.0, self.slow_s))

    def committed(self) -> None:
        """Everything in the write-ahead log up to here is synchronised."""
        wal = self.folder / WAL
        self.synced_bytes = wal.stat().st_size if wal.exists() else 0

    def crashed_copy(self, to: Path) -> Path:
        """What a power cut leaves: all that was synchronised, and a torn or damaged piece of what was not."""
        shutil.copytree(self.folder, to, ignore=shutil.ignore_patterns("*-shm"))
        wal = to / WAL
        if wal.exists() and wal.stat().st_size > self.synced_bytes:
            data = wal.read_bytes()
            keep = self.rng.randrange(self.synced_bytes, len(data) + 1)
            torn = bytearray(data[:keep])
            if keep > self.synced_bytes and self.rng.random() < 0.5:
                torn[self.rng.randrange(self.synced_bytes, keep)] ^= 0xFF
            wal.write_bytes(bytes(torn))
        return to


@contextmanager
def file_steps(step: Callable[[], None]) -> Iterator[None]:
    """Renames and flushes of files are steps of the disk as well."""
    with pytest.MonkeyPatch.context() as patch:
        replace = Path.replace

        def counted(self: Path, target: Path) -> Path:
            step()
            done = replace(self, target)
            step()
            return done

        patch.setattr(Path, "replace", counted)
        yield


@contextmanager
def database_steps(step: Callable[[], None]) -> Iterator[None]:
    """So are SQL statements and commits, but for the settings of a connection.

    They are counted in the driver: SQLAlchemy's own events cost as much as the statements.
    """

    class Cursor(sqlite3.Cursor):
        def execute(self, statement: str, *parameters: Any) -> sqlite3.Cursor:
            if not statement.startswith("PRAGMA"):
                step()
            return super().execute(statement, *parameters)

        def executemany(self, statement: str, *parameters: Any) -> sqlite3.Cursor:
            step()
            return super().executemany(statement, *parameters)

    class Connection(sqlite3.Connection):
        def cursor(self, *_: Any) -> sqlite3.Cursor:
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
