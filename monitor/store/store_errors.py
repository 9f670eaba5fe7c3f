"""What an error of the store means: the data is refused, the store is not as expected, or it may pass by itself.

SQLSTATE classes by PostgreSQL's manual, appendix A "PostgreSQL Error Codes"; SQLite's by its page "Result and Error
Codes".
"""

import sqlite3

from sqlalchemy.exc import (
    DataError,
    DBAPIError,
    IntegrityError,
    InterfaceError,
    ProgrammingError,
    SQLAlchemyError,
    StatementError,
)

from monitor.contract.command import CannotRunError

NOT_RECORDED = "not recorded"  # kind of rejection: a row of the monitor's own making that the database refuses

# Data exception, integrity constraint violation, program limit exceeded, raised by a trigger.
_DATA_STATES = ("22", "23", "54", "P0001")
_UNEXPECTED_STATES = ("3D", "3F", "42", "XX", "25006")  # no such database or schema, access rule, corrupted, read-only
_UNEXPECTED_CODES = {
    sqlite3.SQLITE_ERROR, sqlite3.SQLITE_PERM, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB,
    sqlite3.SQLITE_AUTH,
}  # fmt: skip


class StoreNotAsExpectedError(CannotRunError):
    """The store refuses what no fault of the data explains: a table that is missing or altered, a permission."""


def is_of_data(error: BaseException) -> bool:
    """Whether trying again cannot help: data was refused, not a disk, a lock, a permission or a connection at fault."""
    if isinstance(error, DBAPIError):
        if error.connection_invalidated:
            return False
        state = _state(error)
        if state is not None:
            return state.startswith(_DATA_STATES)
        return isinstance(error, DataError | IntegrityError) or _is_of_driver(error)
    if isinstance(error, SQLAlchemyError):
        return isinstance(error, StatementError)
    return isinstance(error, Exception) and not isinstance(error, OSError | MemoryError | CannotRunError)


def is_of_line(error: BaseException) -> bool:
    """Whether it concerns the line that is read back alone: its data or a file of it, not what all lines share."""
    return is_of_data(error) or isinstance(error, OSError | MemoryError)


def is_unexpected(error: BaseException) -> bool:
    """Whether the store is not what the monitor expects: somebody has to put it right, waiting alone does not help."""
    if not isinstance(error, DBAPIError) or is_of_data(error):
        return isinstance(error, CannotRunError | PermissionError)
    state, code = _state(error), getattr(error.orig, "sqlite_errorcode", None)
    if state is not None:
        return state.startswith(_UNEXPECTED_STATES)
    return code is not None and code & 0xFF in _UNEXPECTED_CODES


def first_line(error: BaseException) -> str:
    """An error in one line, without the statement that met it."""
    return (str(getattr(error, "orig", None) or error).splitlines() or [type(error).__name__])[0]


def _state(error: DBAPIError) -> str | None:
    """PostgreSQL's SQLSTATE, None for another database or where the driver itself raised."""
    state = getattr(error.orig, "sqlstate", None)
    return state if isinstance(state, str) else None


def _is_of_driver(error: DBAPIError) -> bool:
    """Whether the driver knows no way to bind a value; it raises so before the database gets the statement."""
    text = str(error.orig)
    return isinstance(error, ProgrammingError | InterfaceError) and ("binding parameter" in text or "adapt" in text)
