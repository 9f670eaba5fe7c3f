"""A5: what an error of the store means, with the errors that both databases really raise."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Connection, text
from sqlalchemy.exc import DataError, OperationalError

from monitor.contract.command import CannotRunError
from monitor.contract.reading import SchemaVersionError
from monitor.store.store_errors import StoreNotAsExpectedError, first_line, is_of_data, is_of_line, is_unexpected
from monitor.store.writer import Writer
from tests.shell.works import settings_at

LONG = "x" * 30_000
MESSAGE = "insert into message values ('core-1', 1, 's', 'q', :n, 0, 0, 0, :payload, null)"


def ask(statement: str, **values: Any) -> Callable[[Connection], object]:
    return lambda connection: connection.execute(text(statement), values)


def read_only(connection: Connection) -> None:
    switch = {"sqlite": "pragma query_only = 1", "postgresql": "set transaction read only"}
    connection.exec_driver_sql(switch[connection.dialect.name])
    connection.execute(text("delete from gap"))


def denied(connection: Connection) -> None:
    if connection.dialect.name == "sqlite":  # it knows no users: its file or folder is read-only
        return read_only(connection)
    connection.exec_driver_sql("create role everymetre_reader")
    connection.exec_driver_sql("set role everymetre_reader")
    connection.execute(text("delete from gap"))
    return None


OF_DATA = {
    "no value": ask(MESSAGE, n=None, payload=b""),
    "no type that a driver binds": ask(MESSAGE, n=1, payload=object()),
    "too long a key": ask("insert into splice values ('core-1', :p, 0, :p, 0, 0)", p=LONG),
}
UNEXPECTED = {
    "no such table": ask("insert into nowhere values (1)"),
    "no such column": ask("select colour from message"),
    "read only": read_only,
    "denied": denied,
}


def error_of(place: Any, do: Callable[[Connection], object]) -> Exception | None:
    with Writer(settings_at(place)).engine.connect() as connection:
        try:
            do(connection)
        except Exception as error:  # noqa: BLE001 - whatever the driver raises is judged
            return error
    return None


@pytest.mark.parametrize("fault", OF_DATA)
def test_data_that_a_database_refuses(place, fault):
    error = error_of(place, OF_DATA[fault])
    if error is None:
        assert (fault, (place / "record.sqlite").is_file()) == ("too long a key", True)  # SQLite holds any key
        return
    assert is_of_data(error)
    assert not is_unexpected(error)
    assert len(first_line(error)) < 300


@pytest.mark.parametrize("fault", UNEXPECTED)
def test_a_store_that_is_not_as_expected(place, fault):
    error = error_of(place, UNEXPECTED[fault])
    assert error is not None
    assert not is_of_data(error)
    assert is_unexpected(error)
    assert "\n" not in first_line(error)


@pytest.mark.parametrize(
    ("error", "of_data"),
    [
        (DataError("", {}, ValueError()), True),
        (OverflowError("Python int too large to convert to SQLite INTEGER"), True),
        (UnicodeEncodeError("utf-8", "\ud800", 0, 1, "surrogates not allowed"), True),
        (OperationalError("", {}, ValueError("database is locked")), False),
        (OSError(28, "No space left on device"), False),
        (MemoryError(), False),
        (SchemaVersionError("a newer program wrote it"), False),
    ],
)
def test_only_what_trying_again_cannot_help_is_the_fault_of_data(error, of_data):
    assert is_of_data(error) is of_data
    assert is_unexpected(error) is isinstance(error, SchemaVersionError)


@pytest.mark.parametrize(
    "error", [PermissionError(), OSError(5, "Input/output error"), MemoryError(), ZeroDivisionError()]
)
def test_what_is_met_in_reading_a_line_back_is_of_that_line(error):
    assert is_of_line(error)


@pytest.mark.parametrize(
    "error", [OperationalError("x", {}, Exception()), StoreNotAsExpectedError("a table"), CannotRunError("x")]
)
def test_what_all_lines_share_is_of_none(error):
    assert not is_of_line(error)
