"""Opening the store's database: SQLite in WAL mode in the store's folder, or the server named in the works' file."""

import logging
import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, Executable, Table, create_engine, event, literal, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import DatabaseError

from monitor.contract.command import CannotRunError
from monitor.contract.config.works import Store
from monitor.store import seal, upgrade
from monitor.store.lease import Lease
from monitor.store.schema import CHECKPOINT, DRUM, MESSAGE
from monitor.store.server import FILE as FILE
from monitor.store.server import KEEPALIVE, SERVER_KEEPALIVE, server_url

VERSION_EVERY_S = 5.0
_ANY_ROW = [select(literal(1)).select_from(table).limit(1) for table in (CHECKPOINT, DRUM, MESSAGE)]

LOG = logging.getLogger("monitor")


def open_for_writing(settings: Store, lease: Lease | None = None) -> Engine:
    """Engine of the one writer; the store is made or upgraded where it must be.

    Each transaction proves at its end that the tables, and the lines of the lease, are still the writer's: it raises
    SchemaVersionError or LeaseLostError where they are not, with nothing committed.
    SchemaVersionError where a newer program has written it or an older one does; DamagedStoreError where it is damaged.
    """
    folder = Path(settings.folder)
    folder.mkdir(parents=True, exist_ok=True)
    _refuse([] if settings.database_url else list(faults_of_sqlite(folder)))
    if settings.database_url:
        url = server_url(settings.database_url)
        engine = create_engine(url, pool_pre_ping=True, connect_args={"options": SERVER_KEEPALIVE} | KEEPALIVE)
    else:
        engine = create_engine(f"sqlite:///{folder / FILE}", connect_args={"timeout": 30})
        event.listen(engine, "connect", _writer_settings)
    try:
        with engine.connect() as connection:
            _refuse(list(faults_of_empty(connection, folder)))
        upgrade.prepare(engine, settings)
    except BaseException:
        engine.dispose()
        raise
    event.listen(engine, "commit", upgrade.confirm)
    if lease is not None:
        event.listen(engine, "commit", lease.fence)
    return engine


class DamagedStoreError(CannotRunError):
    """The store must not be written on as it is."""


def _refuse(faults: Sequence[str]) -> None:
    if faults:
        raise DamagedStoreError(
            f"{faults[0]}. Nothing is written on a damaged record: restore a backup of the folder and the database "
            "(`everymetre doctor` lists all that is wrong)."
        )


def faults_of_empty(connection: Connection, folder: Path) -> Iterator[str]:
    """A fault where a database without drums, messages and checkpoints lies beside a record's files.

    It is another than the one that they were written with, or has lost its rows: its fillings would get the numbers,
    and the files, of those on record. SchemaVersionError where a newer program has written it.
    """
    version = upgrade.version_of(connection)
    upgrade.refuse_newer(version, upgrade.place_of(connection))
    if version is not None and any(connection.execute(any_row).first() for any_row in _ANY_ROW):
        return
    if files := count_files(folder):
        yield f"the database holds nothing, though {files} files of hours and drums lie in {folder}"


def faults_of_sqlite(folder: Path, thorough: bool = False) -> Iterator[str]:
    """What is wrong with the file of a store in a folder: nothing in it beside a record's files, or damage.

    A file that is to the bit what the last monitor left is sound; one that differs is damaged. Where nothing is known
    of it, as after a kill, SQLite checks its pages. A thorough look does both, and compares indexes with tables.
    All of it takes a second or two for each GB, so a file of more than `LOOK_MAX_BYTES` gets the thorough look only.
    """
    path = folder / FILE
    if not path.exists() or path.stat().st_size == 0:
        if files := count_files(folder):
            yield f"{path} is empty or missing, though {files} files of hours and drums lie beside it"
        return
    if not thorough and (reason := not_examined(folder)):
        LOG.warning(reason)
        return
    as_sealed = seal.is_as_sealed(path)
    if as_sealed is False:
        yield f"{path} is damaged: it is not what the monitor left at its last stop, and nothing has written it since"
    if as_sealed is not None and not thorough:
        return
    check = "integrity_check" if thorough else "quick_check(5)"
    try:
        with closing(sqlite3.connect(f"file:{path.resolve()}?mode=ro", uri=True, timeout=30)) as connection:
            found = [row[0] for row in connection.execute(f"pragma {check}")]
    except sqlite3.DatabaseError as error:
        found = [str(error)]
    for line in found:
        if line != "ok":
            yield f"{path} is damaged: {line.replace(chr(10), ' ')}"


def not_examined(folder: Path) -> str:
    """Why a start does not look for damage in SQLite's file, and the remedy; empty where it does."""
    path = folder / FILE
    size_bytes = path.stat().st_size if path.exists() else 0
    if size_bytes <= seal.LOOK_MAX_BYTES:
        return ""
    return (
        f"{path} holds {size_bytes / 1e9:.1f} GB and was not examined for damage at the start: stop the monitors, or "
        "make a copy, and run `everymetre doctor`"
    )


def count_files(folder: Path) -> int:
    """How many files of hours and drums lie in a store's folder."""
    return sum(1 for part in ("lines", "drums") for _ in (folder / part).rglob("*.parquet"))


def open_for_reading(settings: Store) -> Engine:
    """Engine that cannot write. The database need not exist yet; reading then raises OperationalError.

    Connecting raises SchemaVersionError where the store is of another version, also when it became so meanwhile.
    """
    if settings.database_url:
        server = server_url(settings.database_url)
        engine = create_engine(server, pool_pre_ping=True, execution_options={"postgresql_readonly": True})
    else:
        path = (Path(settings.folder) / FILE).resolve()
        url = f"sqlite:///file:{path}?mode=ro&uri=true"
        engine = create_engine(url, connect_args={"timeout": 10, "check_same_thread": False})
    event.listen(engine, "engine_connect", _check_version)
    return engine


def _check_version(connection: Connection) -> None:
    """Before anything is read over a connection, and again every few seconds: programs change while pages stay."""
    now_s = time.monotonic()
    if now_s - connection.info.get("version_checked_s", -VERSION_EVERY_S) < VERSION_EVERY_S:
        return
    try:
        upgrade.check(connection)
    except BaseException:
        connection.close()
        raise
    connection.rollback()
    connection.info["version_checked_s"] = now_s


def _writer_settings(connection: Any, _: Any) -> None:
    """WAL for readers beside the writer; FULL, so that a power cut loses nothing that was confirmed as stored."""
    cursor = connection.cursor()
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "wal_autocheckpoint=2000", "cache_size=-64000"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def upsert(connection: Connection, table: Table, rows: Sequence[dict[str, Any]], keep_old: bool = False) -> None:
    """Insert rows; where one has the same key, replace it (or keep it)."""
    if not rows:
        return
    connection.execute(_upsert(connection.dialect.name, table, tuple(rows[0]), keep_old), list(rows))


@lru_cache(maxsize=256)
def _upsert(dialect: str, table: Table, columns: tuple[str, ...], keep_old: bool) -> Executable:
    """Built once for each table: building it costs more than executing it."""
    insert = postgresql.insert if dialect == "postgresql" else sqlite.insert
    statement = insert(table)
    if keep_old:
        return statement.on_conflict_do_nothing()
    keys = [c.name for c in table.primary_key.columns]
    others = {name: statement.excluded[name] for name in columns if name not in keys}
    return statement.on_conflict_do_update(index_elements=keys, set_=others)


def rising(rows: Sequence[Any], after_id: int) -> Sequence[Any]:
    """Rows that were asked for in the order of their ids, beyond one.

    Raises DatabaseError where they are not: a damaged index gives such rows, and whoever reads on from the last of
    them would read for ever.
    """
    ids = [after_id, *(row.id for row in rows)]
    if any(not isinstance(later, int) or later <= earlier for earlier, later in pairwise(ids)):
        raise DatabaseError(
            f"rows beyond id {after_id}", None, ValueError("their ids do not rise: the file is damaged")
        )
    return rows
