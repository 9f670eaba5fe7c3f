"""The upgrade beside processes that write as older programs do: refused while they run, done once they have ended."""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import Engine, create_engine, text

from monitor.contract.reading import SchemaVersionError
from monitor.store import upgrade
from monitor.store.database import FILE, open_for_writing
from monitor.store.schema import SCHEMA_VERSION
from monitor.store.server import server_url
from tests.shell.works import settings_at, until

# Holds a line as a program does that knows one version less of the tables, and keeps its health.
ONE_VERSION_OLDER = """
import sys, time
from monitor.store import schema
schema.SCHEMA_VERSION -= 1
from sqlalchemy import create_engine, text
from monitor.contract.config.works import Store
from monitor.store.lease import hold
with hold(Store(folder=sys.argv[2], database_url=sys.argv[3] or None), ["core-2"], time.time()):
    engine = create_engine(sys.argv[1])
    while True:
        with engine.begin() as connection:
            connection.execute(text("delete from health"))
            row = {"t": round(time.time() * 1e3)}
            connection.execute(text("insert into health (monitor, t_ms, said) values ('core-2', :t, '{}')"), row)
        time.sleep(0.5)
"""

# What 0.4.0 did to a store while no message came: its health every few seconds (here twice a second), by no lease.
AS_0_4_0 = """
import sys, time
from sqlalchemy import create_engine, text
engine = create_engine(sys.argv[1])
while True:
    with engine.begin() as connection:
        connection.execute(text("delete from health"))
        row = {"t": round(time.time() * 1e3)}
        connection.execute(text("insert into health (monitor, t_ms, said) values ('all lines', :t, '{}')"), row)
    time.sleep(0.5)
"""


def url_of(place: Path) -> str:
    settings = settings_at(place)
    return str(server_url(settings.database_url)) if settings.database_url else f"sqlite:///{place / FILE}"


@pytest.fixture
def engine(place: Path) -> Iterator[Engine]:
    engine = create_engine(url_of(place))
    yield engine
    engine.dispose()


@contextmanager
def running(code: str, *words: str) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen([sys.executable, "-c", code, *words], stdout=subprocess.DEVNULL)
    try:
        yield process
    finally:
        process.kill()
        process.wait()


@pytest.fixture(autouse=True)
def watched_for_less(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(upgrade, "WATCH_S", 4)


def version_in(engine: Engine) -> int | None:
    with engine.connect() as connection:
        return upgrade.version_of(connection)


def writes(engine: Engine) -> bool:
    with engine.connect() as connection:
        return bool(connection.execute(text("select count(*) from health")).scalar())


def test_a_process_of_one_version_less_keeps_the_store_from_the_upgrade_until_it_ends(place, engine):
    """12.6: tried with leases of the same process only."""
    with engine.begin() as connection:
        upgrade.migrate(connection, SCHEMA_VERSION - 1)
    with running(ONE_VERSION_OLDER, url_of(place), str(place), settings_at(place).database_url or "") as older:
        until(lambda: writes(engine), 20.0, "its health")
        with pytest.raises(SchemaVersionError, match=r"older programs still write it: .*Stop every monitor"):
            open_for_writing(settings_at(place))
        assert version_in(engine) == SCHEMA_VERSION - 1
        assert older.poll() is None
    open_for_writing(settings_at(place)).dispose()
    assert version_in(engine) == SCHEMA_VERSION


def test_a_program_without_a_lease_that_writes_keeps_the_store_from_the_upgrade_until_it_ends(place, engine):
    """12.6: a running 0.4.0 was not noticed."""
    with engine.begin() as connection:
        upgrade.migrate(connection, 1)
        connection.execute(text("drop table alembic_version"))
    with running(AS_0_4_0, url_of(place)):
        until(lambda: writes(engine), 20.0, "its health")
        with pytest.raises(SchemaVersionError, match=r"version 0\.4\.0 or another that holds no lease.*Stop every"):
            open_for_writing(settings_at(place))
        assert version_in(engine) == upgrade.UNVERSIONED
    open_for_writing(settings_at(place)).dispose()  # although its health is of the last minute
    assert version_in(engine) == SCHEMA_VERSION
