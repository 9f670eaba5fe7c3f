"""The version of a store: a new one is made at the program's, an older one is upgraded, a newer one is refused."""

import logging
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, cast

from sqlalchemy import Column, Connection, Engine, MetaData, String, Table, func, insert, make_url, select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.schema import CreateIndex, CreateTable, ExecutableDDLElement

from monitor.contract.config.works import Store
from monitor.contract.reading import SchemaVersionError
from monitor.store.lease import older_writers
from monitor.store.schema import HEALTH, METADATA, SCHEMA_VERSION

if TYPE_CHECKING:
    from alembic.config import Config
    from alembic.script import Script

REVISIONS = Path(__file__).with_name("migrations")
UNVERSIONED = 0  # the tables of program version 0.4.0, which kept no schema version
VERSION = Table("alembic_version", MetaData(), Column("version_num", String(32), primary_key=True))
RECENT_S = 60.0
WATCH_S = 10  # a monitor keeps its health every 3 s; a busy one may take longer
ONE_AT_A_TIME = 0x6D65747265  # key of PostgreSQL's advisory lock: one program changes the tables, the others wait

# Which of the two tables are there. SQLAlchemy's inspector would list all, and costs as much as twenty statements.
_TABLES = {
    "sqlite": f"select name from sqlite_master where type = 'table' and name in ('{VERSION.name}', 'message')",
    "postgresql": "select relname from pg_class where pg_table_is_visible(oid) and relkind = 'r' "
    f"and relname in ('{VERSION.name}', 'message')",
}

LOG = logging.getLogger("monitor")


def revision(version: int) -> str:
    """How Alembic names a version."""
    return f"{version:04}"


def version_of(connection: Connection) -> int | None:
    """Version of the store's tables; None where there are none yet. SchemaVersionError for what is no such store."""
    tables = set(connection.exec_driver_sql(_TABLES[connection.dialect.name]).scalars())
    if VERSION.name in tables:
        name = connection.execute(select(VERSION.c.version_num)).scalar()
        if name is None or not name.isdigit():
            raise SchemaVersionError(f"expected the number of a version in table {VERSION.name}, got {name!r}")
        return int(name)
    return UNVERSIONED if "message" in tables else None


class TablesChangingError(OSError):
    """Another program is changing the store's tables: what was to be written may be tried again in a moment."""


def prepare(engine: Engine, settings: Store) -> None:
    """Bring the store to the program's version, in one transaction. SchemaVersionError where that cannot be.

    Nothing is changed while older programs write lines of the store: they do not know the new tables. Those of 0.4.0
    hold no lease: they are known by what they write.
    """
    with engine.connect() as connection:
        found = version_of(connection)
        if found == SCHEMA_VERSION:
            return
    if found is not None and found < SCHEMA_VERSION:
        with engine.connect() as connection:
            _refuse_beside(older_writers(settings, connection), found, place_of(connection))
        if _is_being_written(engine):
            _refuse_beside(["a monitor of version 0.4.0 or another that holds no lease"], found, str(settings.folder))
    with _alone(engine) as connection:
        version = version_of(connection)
        if version is None:
            for statement in _statements(connection.dialect.name):
                connection.exec_driver_sql(statement)
            connection.execute(insert(VERSION).values(version_num=revision(SCHEMA_VERSION)))
            return
        refuse_newer(version, place_of(connection))
        if version < SCHEMA_VERSION:
            _refuse_beside(older_writers(settings, connection), version, place_of(connection))
            LOG.info("upgrading the store from version %d to %d", version, SCHEMA_VERSION)
            migrate(connection, SCHEMA_VERSION)
            LOG.info("the store is at version %d", SCHEMA_VERSION)


def _is_being_written(engine: Engine) -> bool:
    """Whether the health that each monitor keeps in the store moves on; watched only where it is of the last minute."""
    first = _newest_health_ms(engine)
    if first is None or first < (time.time() - RECENT_S) * 1e3:
        return False
    LOG.info("the store was written within the last minute: looking for %d s whether a monitor still runs", WATCH_S)
    for _ in range(WATCH_S):
        time.sleep(1.0)  # on another process, which may be of a version that keeps no lease
        if _newest_health_ms(engine) != first:
            return True
    return False


def _newest_health_ms(engine: Engine) -> int | None:
    with engine.connect() as connection:
        found: int | None = connection.execute(select(func.max(HEALTH.c.t_ms))).scalar()
        return found


def _refuse_beside(writers: Sequence[str], version: int, place: str) -> None:
    if writers:
        raise SchemaVersionError(
            f"The store {place} is at version {version} and would be upgraded to version {SCHEMA_VERSION}, but older "
            f"programs still write it: {'; '.join(writers)}. Stop every monitor of this store, make a backup, then "
            "start this program again."
        )


def confirm(connection: Connection) -> None:
    """At the end of a writer's transaction: the tables are this program's until it is done.

    SchemaVersionError where another program has changed them since the start, TablesChangingError while it does.
    """
    ask = connection.exec_driver_sql
    shared = f"select pg_try_advisory_xact_lock_shared({ONE_AT_A_TIME})"  # SQLite has one writer at a time
    if connection.dialect.name != "sqlite" and not ask(shared).scalar():
        raise TablesChangingError("another program is changing the tables of the store")
    if ask(f"select version_num from {VERSION.name}").scalar() != revision(SCHEMA_VERSION):
        check(connection)


@lru_cache
def _statements(kind: str) -> tuple[str, ...]:
    """What makes the tables of a new store on a kind of database; built once, as it costs more than executing it."""
    dialect = make_url(f"{kind}://").get_dialect()()
    made: list[ExecutableDDLElement] = []
    for table in (*METADATA.sorted_tables, VERSION):
        made.append(CreateTable(table, if_not_exists=True))
        made += [CreateIndex(index, if_not_exists=True) for index in sorted(table.indexes, key=lambda i: str(i.name))]
    return tuple(str(one.compile(dialect=dialect)) for one in made)


def check(connection: Connection) -> None:
    """That the store can be read: SchemaVersionError where its version is another than the program's."""
    version = version_of(connection)
    if version is not None and version < SCHEMA_VERSION:
        raise SchemaVersionError(
            f"The store {place_of(connection)} is at version {version} and this program reads version "
            f"{SCHEMA_VERSION}: start the monitor of this program once, it upgrades the store."
        )
    refuse_newer(version, place_of(connection))


def refuse_newer(version: int | None, place: str) -> None:
    """SchemaVersionError where a newer program has written the store."""
    if version is not None and version > SCHEMA_VERSION:
        raise SchemaVersionError(
            f"The store {place} was written by a newer program (its version is {version}, this program knows up to "
            f"{SCHEMA_VERSION}): start the newer program, or restore the copy made before the upgrade."
        )


def place_of(connection: Connection) -> str:
    """Where a store lies, in words: SQLite's file, or the server's address without password."""
    url = connection.engine.url
    if url.get_backend_name() == "sqlite":
        return (url.database or "").removeprefix("file:")
    return url.set(drivername="postgresql").render_as_string(hide_password=True)


def migrate(connection: Connection, version: int) -> None:
    """Apply the revisions up to a version, inside the connection's transaction."""
    from alembic import command  # here, since a monitor whose store is up to date need not load it

    command.upgrade(_alembic(connection), revision(version))


def faults_of_tables(connection: Connection) -> list[str]:
    """Where the tables that a store has are not those of this program's version, in Alembic's words."""
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    options = {"compare_type": True, "compare_server_default": True}
    found = compare_metadata(MigrationContext.configure(connection, opts=options), METADATA)
    return [str(one) for one in found]


def draft(connection: Connection, message: str) -> Path:
    """Write the revision that leads from the last one to METADATA, for a developer to complete; returns its file."""
    from alembic import command

    migrate(connection, SCHEMA_VERSION)
    made = command.revision(_alembic(connection), message, autogenerate=True, rev_id=revision(SCHEMA_VERSION + 1))
    return Path(cast("Script", made).path)  # one, since the chain has one end


def _alembic(connection: Connection) -> "Config":
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(REVISIONS).replace("%", "%%"))
    config.set_main_option("file_template", "v%%(rev)s_%%(slug)s")
    config.attributes["connection"] = connection
    return config


@contextmanager
def _alone(engine: Engine) -> Iterator[Connection]:
    """A transaction that holds for changes of tables too, with other programs kept from such changes meanwhile."""
    with engine.connect() as connection:
        if connection.dialect.name != "sqlite":
            with connection.begin():
                connection.execute(select(func.pg_advisory_xact_lock(ONE_AT_A_TIME)))
                yield connection
            return
        # The driver would begin a transaction before INSERT but not before CREATE TABLE: it is begun by hand.
        connection.execution_options(isolation_level="AUTOCOMMIT")
        connection.exec_driver_sql("BEGIN IMMEDIATE")
        try:
            yield connection
        except BaseException:
            with suppress(SQLAlchemyError):  # an interrupt has closed the connection, and with it the transaction
                connection.exec_driver_sql("ROLLBACK")
            raise
        connection.exec_driver_sql("COMMIT")
