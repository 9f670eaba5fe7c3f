"""The manifest: size and digest of each file of hours and drums when it was written, so that any damage shows.

The new digest is announced before a file gets its name and settled in the transaction in which the rows that it
replaces leave the database: whenever a process ends, the file has one of the two digests.
"""

import errno
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path, PurePosixPath
from typing import Any

import pyarrow.parquet as pq
from sqlalchemy import Connection, Engine, Select, bindparam, delete, select, update

from monitor.store.database import upsert
from monitor.store.parquet_files import ASIDE, sha256
from monitor.store.schema import MANIFEST

MISSING = "missing"
OF_THE_PROCESS = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOMEM})  # such an error is no damage of the file
LOOK_FILES, LOOK_BYTES = 100, 50_000_000  # looked at together: some 0.2 s


@dataclass(frozen=True, slots=True, kw_only=True)
class FileEntry:
    """A file: its path below the store's folder, and what it holds."""

    path: str
    line: str
    sha256: str
    size_bytes: int
    rows: int


def entry_of(file: Path, path: str, line: str) -> FileEntry:
    """What a file is now; `path` is the name that it has or gets."""
    return FileEntry(
        path=path, line=line, sha256=sha256(file), size_bytes=file.stat().st_size,
        rows=pq.read_metadata(file).num_rows,
    )  # fmt: skip


def announce(engine: Engine, entry: FileEntry) -> None:
    """A file is about to get its name: from now on its digest may be the old one or this one."""
    m = MANIFEST.c
    with engine.begin() as connection:
        known = connection.execute(update(MANIFEST).where(m.path == entry.path).values(next_sha256=entry.sha256))
        if not known.rowcount:
            row = {"path": entry.path, "line": entry.line, "sha256": "", "size_bytes": 0, "rows": 0, "damage": ""}
            upsert(connection, MANIFEST, [row | {"next_sha256": entry.sha256}])


def settle(connection: Connection, entry: FileEntry) -> None:
    """A file has its name; in the transaction in which what it replaces is deleted."""
    row = {
        "path": entry.path, "line": entry.line, "sha256": entry.sha256, "size_bytes": entry.size_bytes,
        "rows": entry.rows, "damage": "", "next_sha256": "",
    }  # fmt: skip
    upsert(connection, MANIFEST, [row])


def enter_aside(engine: Engine, path: str, aside: str, line: str, reason: str) -> None:
    """A damaged file is about to get another name: it stays on record, as damaged, until it is removed or repaired."""
    m = MANIFEST.c
    with engine.begin() as connection:
        expected = connection.execute(select(m.sha256).where(m.path == path)).scalar() or ""
        row = {"path": aside, "line": line, "sha256": expected, "next_sha256": "", "size_bytes": 0, "rows": 0}
        upsert(connection, MANIFEST, [row | {"damage": reason}])


def knows(connection: Connection, path: str) -> bool:
    """Whether a file of this path was written, or announced, by this store."""
    return connection.execute(select(MANIFEST.c.path).where(MANIFEST.c.path == path)).first() is not None


def was_set_aside(connection: Connection, path: str) -> bool:
    """Whether the file that the manifest has under a path is on record under the name of one set aside."""
    m = MANIFEST.c
    digest = select(m.sha256).where(m.path == path).scalar_subquery()
    aside = select(m.path).where(m.path.startswith(path + ASIDE, autoescape=True), m.sha256 == digest)
    return connection.execute(aside.limit(1)).first() is not None


def fault(connection: Connection, folder: Path, path: str) -> str:
    """As `compare`, and of a file that cannot be read now, why."""
    try:
        return compare(connection, folder, path)
    except OSError as error:
        return _unreadable(error)


def _unreadable(error: OSError) -> str:
    return f"cannot be read: {error.strerror}"


def compare(connection: Connection, folder: Path, path: str) -> str:
    """What is wrong with a file by the manifest, in words; empty where it is as written, or was never entered.

    OSError where the file is there and cannot be read now.
    """
    m = MANIFEST.c
    row = connection.execute(select(m.sha256, m.next_sha256).where(m.path == path)).first()
    return "" if row is None else _compare(folder, path, row.sha256, row.next_sha256)


def _compare(folder: Path, path: str, expected: str, announced: str) -> str:
    """As `compare`, of a file that is entered with these digests."""
    try:
        found = sha256(folder / path)
    except FileNotFoundError:
        return MISSING if expected or ASIDE in path else ""
    return "" if found in (expected, announced) else f"not what was written: its SHA-256 is {found[:16]}..."


def faults(engine: Engine, folder: Path) -> Iterator[tuple[str, str]]:
    """(path, what is wrong) of every file that is not as it was written."""
    with engine.connect() as connection:
        for path in list(connection.execute(select(MANIFEST.c.path).order_by(MANIFEST.c.path)).scalars()):
            if reason := fault(connection, folder, path) or _entry_fault(connection, folder, path):
                yield path, reason


def _entry_fault(connection: Connection, folder: Path, path: str) -> str:
    """What an entry of the manifest says that its file, which is as written, is not."""
    row = connection.execute(select(MANIFEST).where(MANIFEST.c.path == path)).one()
    if not row.sha256 or row.next_sha256:
        return ""
    found = entry_of(folder / path, path, PurePosixPath(path).parts[1])
    wrong = [n for n in ("line", "size_bytes", "rows") if getattr(row, n) != getattr(found, n)]
    return f"the manifest's {', '.join(wrong)} of it is not what the file has" if wrong else ""


def look_at_next(engine: Engine, folder: Path, lines: Collection[str] | None, after: str) -> str:
    """Look at the file that follows a path, note whether it is damaged, and return its path: all files in turn."""
    return _look(engine, folder, lines, after)[0]


def look_in_turn(engine: Engine, folder: Path, lines: Collection[str] | None, after: str) -> Iterator[str]:
    """Look at the files that follow a path, and give each path, so many as take little time; last "" after the last."""
    spent_bytes = 0
    for _ in range(LOOK_FILES):
        after, size_bytes = _look(engine, folder, lines, after)
        yield after
        spent_bytes += size_bytes
        if not after or spent_bytes >= LOOK_BYTES:
            return


@lru_cache
def _following(lines: frozenset[str] | None) -> Select[Any]:
    """The file that follows the path `after`; built once, as it is asked for all the time."""
    m = MANIFEST.c
    wanted = select(MANIFEST).where(m.path > bindparam("after")).order_by(m.path).limit(1)
    return wanted if lines is None else wanted.where(m.line.in_(sorted(lines)))


def _look(engine: Engine, folder: Path, lines: Collection[str] | None, after: str) -> tuple[str, int]:
    """(path, bytes) of the file that was looked at."""
    m = MANIFEST.c
    with engine.connect() as connection:
        row = connection.execute(_following(None if lines is None else frozenset(lines)), {"after": after}).first()
    if row is None:
        return "", 0
    try:
        reason = _compare(folder, row.path, row.sha256, row.next_sha256)
    except OSError as error:
        reason = row.damage if error.errno in OF_THE_PROCESS else _unreadable(error)
    if reason == MISSING and ASIDE in row.path:
        with engine.begin() as connection:
            connection.execute(delete(MANIFEST).where(m.path == row.path))
    elif reason != row.damage:
        with engine.begin() as connection:
            connection.execute(update(MANIFEST).where(m.path == row.path).values(damage=reason))
    return str(row.path), int(row.size_bytes)
