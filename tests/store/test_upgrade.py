"""A store has a version: new ones are made at it, older ones are upgraded to it, newer ones are refused."""

import gc
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from alembic.script import ScriptDirectory
from sqlalchemy import Column, Connection, Engine, Integer, Table, create_engine, event, inspect, select, text

from monitor.__main__ import main
from monitor.contract.config.works import Store
from monitor.contract.reading import SchemaVersionError
from monitor.store import database, lease, upgrade
from monitor.store.database import FILE, open_for_writing
from monitor.store.reader import StoreReader
from monitor.store.schema import DRUM, FINDING, METADATA, SCHEMA_VERSION
from monitor.store.server import server_url
from monitor.store.writer import Batch, Writer
from tests.core.script import CONFIGS, T0, finding
from tests.shell.works import SERVER, settings_at


@pytest.fixture
def engine(place: Path) -> Iterator[Engine]:
    """An empty database of either kind, untouched by the program."""
    settings = settings_at(place)
    url = server_url(settings.database_url) if settings.database_url else f"sqlite:///{place / FILE}"
    engine = create_engine(url)
    yield engine
    engine.dispose()


def tables_of(connection: Connection) -> dict[str, object]:
    """All that the database itself says of its tables: columns, keys, indexes, constraints."""
    found = inspect(connection)
    return {
        name: {
            "columns": [(c["name"], str(c["type"]), c["nullable"]) for c in found.get_columns(name)],
            "key": found.get_pk_constraint(name)["constrained_columns"],
            "indexes": sorted((i["name"], i["column_names"], i["unique"]) for i in found.get_indexes(name)),
            "unique": sorted((u["name"], u["column_names"]) for u in found.get_unique_constraints(name)),
        }
        for name in sorted(found.get_table_names())
        if name != upgrade.VERSION.name
    }


def version_in(engine: Engine) -> str | None:
    with engine.connect() as connection:
        return connection.execute(select(upgrade.VERSION.c.version_num)).scalar()


def set_version(engine: Engine, version: str) -> None:
    with engine.begin() as connection:
        connection.execute(upgrade.VERSION.update().values(version_num=version))


def test_revisions_are_one_chain_that_ends_at_the_programs_version():
    revisions = list(ScriptDirectory(str(upgrade.REVISIONS)).walk_revisions())
    numbers = [int(r.revision) for r in reversed(revisions)]
    assert numbers == list(range(1, SCHEMA_VERSION + 1)), "a change of a table wants a revision and a SCHEMA_VERSION"
    assert [r.down_revision for r in revisions] == [*(upgrade.revision(n) for n in numbers[-2::-1]), None]
    for r in revisions:
        assert Path(r.path).name.startswith(f"v{r.revision}_"), r.path


def test_revisions_from_first_to_last_give_the_schema(engine):
    """A9: a table changed without a revision fails here."""
    with engine.begin() as connection:
        upgrade.migrate(connection, SCHEMA_VERSION)
        assert upgrade.faults_of_tables(connection) == []
        by_revisions = tables_of(connection)
        # Alembic compares no primary keys: the database's own words do.
        METADATA.drop_all(connection)
        METADATA.create_all(connection)
        assert by_revisions == tables_of(connection)


def test_a_new_store_is_made_at_the_programs_version(place, engine):
    open_for_writing(settings_at(place)).dispose()
    assert version_in(engine) == upgrade.revision(SCHEMA_VERSION)


def test_a_store_without_a_version_is_0_4_0s_and_is_upgraded_with_what_it_holds(place, engine):
    with engine.begin() as connection:
        upgrade.migrate(connection, 1)
        connection.execute(text("drop table alembic_version"))
        connection.execute(text("insert into gap (line, stream, first, last, t_ms) values ('core-1', 's/q', 3, 5, 7)"))
        assert upgrade.version_of(connection) == upgrade.UNVERSIONED
    open_for_writing(settings_at(place)).dispose()
    assert version_in(engine) == upgrade.revision(SCHEMA_VERSION)
    with engine.connect() as connection:
        assert connection.execute(text("select line, first, last from gap")).all() == [("core-1", 3, 5)]


def test_gaps_on_record_get_their_numbering_from_the_message_that_followed(place, engine):
    """Where that message has left the database it is 0: version 0.4.0 knew no other."""
    gap = "insert into gap (line, stream, first, last, t_ms) values ('core-1', 'oven-a/temperature', :n, :n, :t)"
    message = (
        "insert into message (line, id, station, quantity, n, t_ms, end_ms, received_ms, payload) "
        "values ('core-1', :id, :station, 'temperature', 4, 70, 70, 70, :payload)"
    )
    with engine.begin() as connection:
        upgrade.migrate(connection, 11)
        connection.execute(text(gap), [{"n": 3, "t": 70}, {"n": 30, "t": 700}])
        others = [("oven-b", b'{"start": 9}'), ("oven-a", b'{"n": 4, "t": 70, "v": 1.0, "start": 1000}')]
        for i, (station, payload) in enumerate(others):
            connection.execute(text(message), {"id": i, "station": station, "payload": payload})
    open_for_writing(settings_at(place)).dispose()
    with engine.connect() as connection:
        rows = connection.execute(text("select line, stream, start, first, last, t_ms from gap order by first")).all()
    assert rows == [
        ("core-1", "oven-a/temperature", 1000, 3, 3, 70),
        ("core-1", "oven-a/temperature", 0, 30, 30, 700),
    ]


def test_unseen_metres_become_unverified_with_their_lengths_and_findings(place, engine):
    drum = (
        "insert into drum (line, filling, drum, recipe, revision, start_m, start_ms, unseen_m) "
        "values ('core-1', 1, 'C1-0001', 'core-2g5', 1, 0, 0, 12.5)"
    )
    found = (
        "insert into finding (line, key, kind, stream, check_name, verdict, start_m, start_ms, unit, text) "
        "values ('core-1', :key, 'cure', 'cure/index-inner', :check_name, 2, 3, 70, '', '')"
    )
    findings = [("cure/index-inner/unseen@70", "unseen"), ("cure/index-inner/scant@80", "scant")]
    with engine.begin() as connection:
        upgrade.migrate(connection, 13)
        connection.execute(text(drum))
        connection.execute(text(found), [{"key": key, "check_name": check} for key, check in findings])
    open_for_writing(settings_at(place)).dispose()
    with engine.connect() as connection:
        assert connection.execute(select(DRUM.c.unverified_m)).scalar() == 12.5
        renamed = connection.execute(select(FINDING.c.key, FINDING.c.check_name).order_by(FINDING.c.start_ms)).all()
    assert set(renamed) == {("cure/index-inner/unverified@70", "unverified"), findings[1]}


def test_a_newer_store_is_refused_and_left_as_it_is(place, engine):
    """A9: an older program would write into tables that it does not know."""
    open_for_writing(settings_at(place)).dispose()
    set_version(engine, upgrade.revision(SCHEMA_VERSION + 1))
    with engine.connect() as connection:
        before = tables_of(connection)
    with pytest.raises(SchemaVersionError, match=f"newer program .*{SCHEMA_VERSION + 1}"):
        open_for_writing(settings_at(place))
    assert version_in(engine) == upgrade.revision(SCHEMA_VERSION + 1)
    with engine.connect() as connection:
        assert tables_of(connection) == before


@pytest.mark.parametrize(("version", "sentence"), [(-1, "start the monitor of this program"), (1, "newer program")])
def test_readers_refuse_a_store_of_another_version_also_while_they_run(place, engine, monkeypatch, version, sentence):
    """A9: pages show a sentence; before, they asked tables that may not be what they were."""
    open_for_writing(settings_at(place)).dispose()
    monkeypatch.setattr(database, "VERSION_EVERY_S", 0.0)
    reader = StoreReader(settings_at(place))
    assert reader.lines_now() == []
    set_version(engine, upgrade.revision(SCHEMA_VERSION + version))
    for _ in range(20):  # and no connection is lost by it
        with pytest.raises(SchemaVersionError, match=sentence):
            reader.lines_now()
    set_version(engine, upgrade.revision(SCHEMA_VERSION))
    assert reader.lines_now() == []


def test_an_upgrade_that_fails_changes_nothing(place, engine, monkeypatch):
    with engine.begin() as connection:
        upgrade.migrate(connection, 1)
        before = tables_of(connection)

    def break_off(connection: Connection, version: int) -> None:
        connection.execute(text("create table half (a integer)"))
        connection.execute(text("drop table gap"))
        raise OSError("disk full")

    monkeypatch.setattr(upgrade, "SCHEMA_VERSION", SCHEMA_VERSION + 1)
    monkeypatch.setattr(upgrade, "migrate", break_off)
    with pytest.raises(OSError, match="disk full"):
        open_for_writing(settings_at(place))
    with engine.connect() as connection:
        assert tables_of(connection) == before
    assert version_in(engine) == upgrade.revision(1)


def test_an_upgrade_that_is_interrupted_raises_the_interrupt(tmp_path, monkeypatch):
    """SQLAlchemy has closed the connection then, and refuses the ROLLBACK."""
    folder = tmp_path / "store"
    folder.mkdir()
    engine = create_engine(f"sqlite:///{folder / FILE}")
    with engine.begin() as connection:
        upgrade.migrate(connection, 1)

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    def interrupted(connection: Connection, version: int) -> None:
        event.listen(connection.engine, "do_execute", interrupt, once=True)
        connection.execute(text("create table half (a integer)"))

    monkeypatch.setattr(upgrade, "migrate", interrupted)
    with pytest.raises(KeyboardInterrupt):
        open_for_writing(Store(folder=str(folder)))
    assert version_in(engine) == upgrade.revision(1)
    engine.dispose()


KILLED = """
import os, signal, sys
from monitor.contract.config.works import Store
from monitor.store import upgrade
from monitor.store.database import open_for_writing
inner = upgrade.migrate
def killed(connection, version):
    inner(connection, version)
    os.kill(os.getpid(), signal.SIGKILL)
upgrade.migrate = killed
open_for_writing(Store(folder=sys.argv[1], database_url=sys.argv[2] or None))
"""


def test_an_upgrade_that_is_killed_before_its_commit_changes_nothing_and_begins_again(place, engine):
    """A9: kill -9 when all revisions have run, on both databases."""
    with engine.begin() as connection:
        upgrade.migrate(connection, 1)
        connection.execute(text("insert into gap (line, stream, first, last, t_ms) values ('core-1', 's/q', 3, 5, 7)"))
        before = tables_of(connection)
    words = [sys.executable, "-c", KILLED, str(place), settings_at(place).database_url or ""]
    assert subprocess.run(words, timeout=120, check=False).returncode == -signal.SIGKILL
    with engine.connect() as connection:
        assert tables_of(connection) == before
    assert version_in(engine) == upgrade.revision(1)
    open_for_writing(settings_at(place)).dispose()
    assert version_in(engine) == upgrade.revision(SCHEMA_VERSION)
    with engine.connect() as connection:
        assert connection.execute(text("select first, last from gap")).all() == [(3, 5)]


def test_the_revisions_are_shipped_with_the_program():
    for folder in (upgrade.REVISIONS, upgrade.REVISIONS / "versions"):
        assert (folder / "__init__.py").is_file(), f"{folder} is no package and would be left out of the wheel"


def test_the_command_prints_why_a_store_is_refused_and_exits_with_2(tmp_path, capsys):
    """A9: a sentence, no traceback."""
    open_for_writing(Store(folder=str(tmp_path))).dispose()
    engine = create_engine(f"sqlite:///{tmp_path / FILE}")
    set_version(engine, "0099")
    engine.dispose()
    assert main(["monitor", "--configs", str(CONFIGS), "--store", str(tmp_path)]) == 2
    printed = capsys.readouterr().err
    assert printed.startswith(f"The store {tmp_path / FILE} was written by a newer program (its version is 99,")
    assert "start the newer program, or restore the copy made before the upgrade" in printed
    assert printed.count("\n") == 1


def test_a_draft_holds_what_was_changed_in_the_schema(tmp_path, monkeypatch):
    folder = tmp_path / "migrations"
    shutil.copytree(upgrade.REVISIONS, folder)
    monkeypatch.setattr(upgrade, "REVISIONS", folder)
    trial = Table("trial", METADATA, Column("number", Integer, primary_key=True))
    try:
        with create_engine("sqlite://").connect() as connection:
            drafted = upgrade.draft(connection, "Add a trial")
    finally:
        METADATA.remove(trial)
    code = drafted.read_text()
    assert drafted.name == f"v{upgrade.revision(SCHEMA_VERSION + 1)}_add_a_trial.py"
    assert f'down_revision = "{upgrade.revision(SCHEMA_VERSION)}"' in code
    assert re.findall(r"op\.(\w+)\(\s*[\"'](\w+)", code) == [("create_table", "trial")]


# ---- beside others -------------------------------------------------------------------------------------------------


@contextmanager
def another_monitor(place: Path, version: int, lines: list[str]) -> Iterator[None]:
    """A lease as process 812 on press-2 holds it, whose program writes tables of a version."""
    with pytest.MonkeyPatch.context() as m:
        m.setattr(lease, "own_name", lambda: "press-2:812")
        m.setattr(lease, "SCHEMA_VERSION", version)
        held = lease.hold(settings_at(place), lines, T0)
        held.__enter__()
    try:
        yield
    finally:
        held.__exit__(None, None, None)


def test_a_store_that_older_programs_still_write_is_not_upgraded(place, engine):
    """A9: they would write into tables that they do not know. The message names who, and what to do."""
    with engine.begin() as connection:
        upgrade.migrate(connection, SCHEMA_VERSION - 1)
        insert = "insert into ledger (line, station, quantity, upto, spans) values ('core-2', 's', 'q', 1, '[]')"
        connection.execute(text(insert))
    with another_monitor(place, SCHEMA_VERSION - 1, ["core-2"]):
        wanted = (
            r"at version \d+ .* process 812 on press-2, since 2\d.* UTC \(core-2\)\. Stop every monitor of this store"
        )
        with pytest.raises(SchemaVersionError, match=wanted):
            open_for_writing(settings_at(place))
        assert version_in(engine) == upgrade.revision(SCHEMA_VERSION - 1)
    open_for_writing(settings_at(place)).dispose()
    assert version_in(engine) == upgrade.revision(SCHEMA_VERSION)


def test_programs_of_one_version_that_start_together_upgrade_the_store(place, engine):
    with engine.begin() as connection:
        upgrade.migrate(connection, SCHEMA_VERSION - 1)
    with another_monitor(place, SCHEMA_VERSION, ["core-2"]), lease.hold(settings_at(place), ["core-1"], T0):
        open_for_writing(settings_at(place)).dispose()
    assert version_in(engine) == upgrade.revision(SCHEMA_VERSION)


def test_a_writer_commits_nothing_once_another_program_has_changed_the_tables(place, engine):
    """A9: also in the moment before the running program looks at the version again."""
    writer = Writer(settings_at(place), ["core-1"])
    writer.write(Batch(outputs=[finding(1.0, 2.0)]))
    set_version(engine, upgrade.revision(SCHEMA_VERSION + 1))
    with pytest.raises(SchemaVersionError, match="newer program"):
        writer.write(Batch(outputs=[finding(5.0, 6.0)]))
    with engine.connect() as connection:
        assert connection.execute(select(FINDING.c.start_m)).scalars().all() == [1.0]
    writer.close()


def test_a_writer_waits_while_another_program_changes_the_tables(server, tmp_path):
    (tmp_path / SERVER).write_text(server)
    writer = Writer(settings_at(tmp_path), ["core-1"])
    with upgrade._alone(writer.engine), pytest.raises(OSError, match="another program is changing the tables"):
        writer.write(Batch(outputs=[finding(1.0, 2.0)]))
    writer.write(Batch(outputs=[finding(1.0, 2.0)]))
    assert len(StoreReader(settings_at(tmp_path)).findings("core-1", 0.0, 9.0)) == 1
    writer.close()


def handles(place: Path, engine: Engine) -> int:
    """Files of the store that this process has open, or connections of others to the server's database."""
    if engine.dialect.name == "sqlite":
        return sum(file.resolve().is_relative_to(place.resolve()) for file in Path("/proc/self/fd").iterdir())
    others = "select count(*) from pg_stat_activity where datname = current_database() and pid <> pg_backend_pid()"
    with engine.connect() as connection:
        return int(connection.execute(text(others)).scalar_one())


@pytest.mark.parametrize("version", ["0099", "not a number"])
def test_a_refused_start_leaves_no_connection_open(place, engine, version):
    open_for_writing(settings_at(place)).dispose()
    set_version(engine, version)
    engine.dispose()
    gc.disable()  # what is left to it may stay open for as long as it likes
    try:
        with pytest.raises(SchemaVersionError):
            Writer(settings_at(place))
        assert handles(place, engine) == 0
    finally:
        gc.enable()
