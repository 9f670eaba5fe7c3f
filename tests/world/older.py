"""What an older program leaves: the tables of an earlier version of the store, and an earlier layout of snapshots."""

import sqlite3
from contextlib import closing
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from sqlalchemy import create_engine

from monitor.store import upgrade
from monitor.store.database import FILE
from monitor.store.schema import SCHEMA_VERSION
from tests.shell.test_restart_law import as_version_9

OLDEST = 6  # an earlier one has no manifest, so that no later one would know the files of its drums
OLDER = range(OLDEST, SCHEMA_VERSION)  # versions of the tables
UNVERIFIED = 14  # the version that renamed what was called unseen
LAYOUT = 9  # version of snapshots


def go_back(folder: Path, version: int) -> None:
    """Turn the store of a folder, which no process has open, into what a program of an older version left."""
    older = folder / "older.sqlite"
    older.write_bytes(_empty(version))
    with closing(sqlite3.connect(older)) as c:
        c.execute("attach ? as newer", (str(folder / FILE),))
        newer = _tables(c, "newer")
        for table in sorted(_tables(c, "main") & newer - {upgrade.VERSION.name}):
            _copy(c, table)
        if version < UNVERIFIED:
            c.execute(
                "update finding set check_name = 'unseen', key = replace(key, '/unverified@', '/unseen@') "
                "where check_name = 'unverified'"
            )
        for line, state in c.execute("select line, state from checkpoint").fetchall():
            c.execute("update checkpoint set state = ? where line = ?", (older_snapshot(state), line))
        c.commit()
        c.execute("detach newer")
    for path in folder.glob(f"{FILE}*"):
        path.unlink()
    older.rename(folder / FILE)


def older_snapshot(state: bytes) -> bytes:
    """A snapshot as version 9 wrote it, which kept no past of a track and no events; no bytes stay none."""
    return as_version_9(state) if state else state


@cache
def _empty(version: int) -> bytes:
    """SQLite's file with the tables of a version."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / FILE
        engine = create_engine("sqlite://", creator=lambda: sqlite3.connect(path))
        with engine.begin() as connection:
            upgrade.migrate(connection, version)
        engine.dispose()
        return path.read_bytes()


def _copy(c: sqlite3.Connection, table: str) -> None:
    there = _columns(c, "newer", table)
    older = {"unseen_m": "unverified_m"} if table == "drum" else {}
    columns = {name: older.get(name, name) for name in _columns(c, "main", table)}
    columns = {name: of for name, of in columns.items() if of in there}
    c.execute(f"insert into {table} ({', '.join(columns)}) select {', '.join(columns.values())} from newer.{table}")


def _tables(c: sqlite3.Connection, schema: str) -> set[str]:
    return {name for (name,) in c.execute(f"select name from {schema}.sqlite_master where type = 'table'")}


def _columns(c: sqlite3.Connection, schema: str, table: str) -> list[str]:
    return [name for (name,) in c.execute("select name from pragma_table_info(?, ?)", (table, schema))]
