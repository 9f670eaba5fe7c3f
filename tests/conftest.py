"""What all tests share: examples are judged by their result, never by how long a busy machine took for them."""

import gc
import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings
from xdist.remote import Producer

from tests import statements
from tests.cpu_time import CpuTime
from tests.schedule import Schedule, in_order
from tests.shell import postgres
from tests.shell.works import SERVER

MEMORY = Path("/dev/shm")
ROOM_BYTES = 4 << 30  # left free; with less the tests stay on the disk

# Stores of tests lie in memory where the machine has room. What is committed there outlives every process that a test
# kills, and nothing here is to outlive the machine; a flush to disk would take 3 ms, of which there are thousands.
if MEMORY.is_dir() and shutil.disk_usage(MEMORY).free > ROOM_BYTES:
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))

# A hundred processes start in the tests: each would compile all our modules for itself.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

gc.disable()  # until all tests are collected: what is imported and collected stays

settings.register_profile("works", deadline=None)
settings.load_profile("works")
statements.share()


def pytest_configure(config: pytest.Config) -> None:
    config.pluginmanager.register(CpuTime())


def pytest_xdist_auto_num_workers() -> int:
    """`-n auto`: more than the machine has cores, since some tests only wait."""
    return (os.cpu_count() or 1) + 2


def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> Schedule:
    return Schedule(config, log)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if hasattr(config, "workerinput"):  # a worker of `pytest -n`
        items[:] = in_order(items)


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


def pytest_collection_finish() -> None:
    """What is loaded by now stays, so that collecting garbage need not go through it again and again."""
    gc.collect()
    gc.freeze()
    gc.enable()
    gc.set_threshold(20_000, 20, 20)
