"""A value changed in any row by other than the monitor is noticed by `everymetre doctor`, or named here as not."""

import io
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from sqlalchemy import Connection, Engine, Table, and_, create_engine, delete, insert, select, update

from monitor.shell.compare_stores import ENTRIES, SUMS
from monitor.shell.damage import examine
from monitor.shell.doctor_rebuild import rebuild
from monitor.store.schema import (
    ALARM_CHANGE,
    ALARM_NOW,
    CHECKPOINT,
    DRUM,
    EVENT,
    FINDING,
    JOURNAL,
    LEDGER,
    LINE_NOW,
    MANIFEST,
    MESSAGE,
    METRE_BLOCK,
    REVISION,
    STATE_SPAN,
)
from monitor.store.server import server_url
from tests.commands.test_doctor import written
from tests.shell.works import settings_at, stored_at

LOOKED_AT = (MESSAGE, JOURNAL, REVISION, MANIFEST)  # each change is noticed by a look at the table itself
COMPARED = (FINDING, EVENT, ALARM_CHANGE, ALARM_NOW, DRUM, STATE_SPAN, LEDGER, LINE_NOW, CHECKPOINT)
BY_ROWS = (*SUMS, "rows_file")  # of a drum: tests/shell/test_doctor_rebuild.py and tests/commands/test_doctor.py
NOT_NOTICED = {
    "message.id": "only the order of messages: where it makes no other record, there is nothing to notice",
    "message.line": "a message of another line has its checksum: the two lines' records differ",
    "revision.first_seen_ms": "a time that nothing else tells",
    "manifest.next_sha256": "a second digest is what a kill while a file is written leaves",
    "manifest.damage": "what the last look at a file found: the next look corrects it",
    "alarm_change.id": "only the order in which changes of one moment are listed",
    "alarm_change.line": "an alarm of another line: that line's record differs",
    "alarm_now.line": "likewise",
    "finding.line": "likewise",
    "event.line": "likewise",
    "drum.line": "likewise",
    "state_span.line": "likewise",
    "ledger.line": "likewise",
    "line_now.line": "likewise",
    "metre_block.line": "likewise",
    "checkpoint.line": "likewise",
    "checkpoint.t_ms": "when the snapshot was taken, which nothing reads",
    "checkpoint.message_id": "a message at which nothing was pending gives the same state",
}


@pytest.fixture
def database(place: Path) -> Iterator[Engine]:
    """The database of a record of a core line, opened by other than the program."""
    written(place).dispose()
    settings = settings_at(place)
    url = server_url(settings.database_url) if settings.database_url else f"sqlite:///{place / 'record.sqlite'}"
    engine = create_engine(url)
    yield engine
    engine.dispose()


def other(value: Any) -> Any:
    """A value of the same kind that differs in little."""
    if value is None:
        return 7
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        return value + 1
    if isinstance(value, bytes):
        at = len(value) // 2
        return value[:at] + bytes([value[at] ^ 2]) + value[at + 1 :] if value else b"\1"
    return ("B" if value[:1] != "B" else "A") + value[1:]


def changed(connection: Connection, table: Table, name: str, place: int) -> tuple[Any, Any]:
    """Change a column of the row at a place, counted from the oldest; returns the row's key and the value before."""
    keys = list(table.primary_key.columns)
    wanted = select(table).where(table.c.line.in_(("core-1", ""))) if "line" in table.c else select(table)
    row = connection.execute(wanted.order_by(*keys).offset(place).limit(1)).one()
    mine = and_(*(key == row._mapping[key.name] for key in keys))
    connection.execute(update(table).where(mine).values({name: other(row._mapping[name])}))
    return mine, row._mapping[name]


def test_a_changed_value_of_a_table_that_is_looked_at_is_named(place, database):
    """12.6: on PostgreSQL this was never tried; of the manifest only the digest was compared."""
    configuration = stored_at(place)
    for table in LOOKED_AT:
        for column in table.columns:
            if f"{table.name}.{column.name}" in NOT_NOTICED or column.primary_key:
                continue
            with database.begin() as connection:
                mine, before = changed(connection, table, column.name, 0)
            assert len(examine(configuration).faults) >= 1, f"{table.name}.{column.name}"
            with database.begin() as connection:
                connection.execute(update(table).where(mine).values({column.name: before}))
    assert examine(configuration).faults == []


def test_a_changed_value_of_a_table_that_is_compared_is_named(place, database, tmp_path):
    """12.6: on PostgreSQL this was never tried."""
    keys = {entered.table: entered.key for entered in ENTRIES}
    tried = []
    with database.begin() as connection:
        for table in COMPARED:
            for column in table.columns:
                name = f"{table.name}.{column.name}"
                if name in NOT_NOTICED or column.primary_key or column.name in BY_ROWS:
                    continue
                is_key = column.name in keys.get(table, ())
                changed(connection, table, column.name, int(is_key))
                words = "stored one, made again none" if is_key else f", {column.name}: "
                tried.append((table, column.name, words))
    made = rebuild(stored_at(place), "core-1", tmp_path / "made")
    found = [*map(str, made.differences), *made.not_compared]
    for table, name, words in tried:
        mine = [f for f in found if f.startswith(f"table {table.name}")]
        if table not in (CHECKPOINT, LINE_NOW, LEDGER):
            mine = [f for f in mine if words in f]
        assert mine, (table.name, name, found)


def warmer(arrow: bytes) -> bytes:
    """A block of rows with one value of an oven changed."""
    table = pa.ipc.open_stream(io.BytesIO(arrow)).read_all()
    name = "oven-a/temperature"
    values = table[name].to_numpy().copy()
    values[0] += 1.0
    table = table.set_column(table.column_names.index(name), name, pa.array(values))
    sink = io.BytesIO()
    with pa.ipc.new_stream(sink, table.schema) as stream:
        stream.write_table(table)
    return sink.getvalue()


CHANGES: dict[str, Callable[[Any], Any]] = {
    "rows": lambda rows: rows - 1, "verdicts": lambda v: bytes([v[0] ^ 1]) + v[1:], "arrow": warmer,
    "first_m": lambda metre: metre + 1,
}  # fmt: skip


def test_a_changed_block_of_rows_is_named(place, database, tmp_path):
    """12.6: a block of which Arrow can read nothing hides no other row."""
    block = METRE_BLOCK.c
    newest = select(METRE_BLOCK).order_by(block.first_m.desc()).limit(1)
    with database.begin() as connection:
        before = connection.execute(newest).one()
    for name, change in [*CHANGES.items(), ("arrow", lambda arrow: arrow[:40])]:
        with database.begin() as connection:
            connection.execute(delete(METRE_BLOCK).where(block.first_m == before.first_m))
            connection.execute(insert(METRE_BLOCK).values(before._asdict() | {name: change(getattr(before, name))}))
        made = rebuild(stored_at(place), "core-1", tmp_path / "made")
        found = [*map(str, made.differences), *made.not_compared, *examine(stored_at(place)).faults]
        assert [f for f in found if f.startswith(("rows in the database", "rows of core-1 from metre"))], (name, found)
        assert made.rows > 300
        with database.begin() as connection:
            connection.execute(delete(METRE_BLOCK).where(block.first_m >= before.first_m))
            connection.execute(insert(METRE_BLOCK).values(before._asdict()))
    assert rebuild(stored_at(place), "core-1", tmp_path / "made").is_equal
