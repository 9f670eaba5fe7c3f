"""Stores of both kinds: what a test of the store says holds on SQLite and on a real PostgreSQL server."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.shell import postgres
from tests.shell.works import SERVER


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """Address of a PostgreSQL server."""
    with postgres.running() as address:
        yield address


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A folder for a store of either kind."""
    if request.param == "postgresql":
        (tmp_path / SERVER).write_text(request.getfixturevalue("server"))
    return tmp_path
