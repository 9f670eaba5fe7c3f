"""The seal tells any damage of a database that nobody writes, and nothing of one that was written since."""

import os
import random
import shutil
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from monitor.contract.config.works import Store
from monitor.shell.processor import Processor
from monitor.store import seal
from monitor.store.database import (
    FILE,
    DamagedStoreError,
    faults_of_sqlite,
    not_examined,
    open_for_reading,
    open_for_writing,
)
from monitor.store.seal import is_as_sealed, set_seal
from monitor.store.writer import Writer
from tests.core.test_pipeline import core_line
from tests.shell.test_stop import StubLink, a_service, until_done
from tests.shell.works import processor_at, take
from tests.store.test_writer import busy

FLIPS = 200


@pytest.fixture(scope="module")
def stopped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store whose monitor has stopped."""
    folder: Path = tmp_path_factory.mktemp("stopped")
    processor: Processor = processor_at(folder)
    take(processor, core_line(130, before=busy).sorted())
    processor.writer.write(processor.last_batch())
    processor.writer.seal()
    processor.writer.close()
    return folder


def flip(path: Path, at: int, bit: int) -> None:
    """A bit that changes by itself: the time of the file's last change stays as it is."""
    found = path.stat()
    with path.open("r+b") as file:
        file.seek(at)
        (byte,) = file.read(1)
        file.seek(at)
        file.write(bytes([byte ^ 1 << bit]))
    os.utime(path, ns=(found.st_atime_ns, found.st_mtime_ns))


def test_a_flipped_bit_anywhere_refuses_the_start(stopped):
    """A9: 3 of 6 stores with 40 flipped bits opened and wrote on."""
    rng, path = random.Random(9), stopped / FILE
    for _ in range(FLIPS):
        at, bit = rng.randrange(path.stat().st_size), rng.randrange(8)
        flip(path, at, bit)
        with pytest.raises(DamagedStoreError, match="is damaged: it is not what the monitor left at its last stop"):
            open_for_writing(Store(folder=str(stopped)))
        flip(path, at, bit)
    assert is_as_sealed(path) is True
    open_for_writing(Store(folder=str(stopped))).dispose()


async def test_a_monitor_that_stops_leaves_a_seal(tmp_path):
    link = StubLink(core_line(4).sorted())
    await until_done(a_service(tmp_path, link, again=False), link)
    assert is_as_sealed(tmp_path / FILE) is True


def test_a_start_after_a_stop_does_not_check_pages_one_by_one(stopped, monkeypatch):
    monkeypatch.setattr("sqlite3.connect", lambda *_, **__: pytest.fail("pages were checked"))
    assert list(faults_of_sqlite(stopped)) == []


@pytest.fixture
def engine(tmp_path: Path) -> Engine:
    return open_for_writing(Store(folder=str(tmp_path)))


def test_a_file_that_was_written_since_is_no_damage(engine, tmp_path):
    assert set_seal(engine, tmp_path / FILE)
    assert is_as_sealed(tmp_path / FILE) is True
    with engine.begin() as connection:
        connection.execute(
            text("insert into gap (line, stream, start, first, last, t_ms) values ('core-1', 'a/b', 0, 1, 2, 3)")
        )
    assert is_as_sealed(tmp_path / FILE) is True  # what came lies in the log
    engine.dispose()  # and moves into the file
    assert is_as_sealed(tmp_path / FILE) is None
    assert list(faults_of_sqlite(tmp_path)) == []


def test_a_store_that_others_read_and_write_is_not_sealed_half(engine, tmp_path):
    other = open_for_writing(Store(folder=str(tmp_path)))
    reader = open_for_reading(Store(folder=str(tmp_path)))
    with other.begin() as writing, reader.connect() as reading:
        reading.execute(text("select count(*) from gap")).all()
        writing.execute(
            text("insert into gap (line, stream, start, first, last, t_ms) values ('core-1', 'a/b', 0, 1, 2, 3)")
        )
        assert set_seal(engine, tmp_path / FILE) is False
    for each in (engine, other, reader):
        each.dispose()
    assert is_as_sealed(tmp_path / FILE) is None


@pytest.mark.parametrize("seal", [b"", b"{", b'{"size_bytes":1,"changed_ns":2,"sha256":"x"}'])
def test_a_seal_that_cannot_be_used_leaves_the_check_to_sqlite(engine, tmp_path, seal):
    engine.dispose()
    path = tmp_path / FILE
    path.with_name(f"{FILE}.seal").write_bytes(seal)
    assert is_as_sealed(path) is None
    assert list(faults_of_sqlite(tmp_path)) == []


def test_a_very_large_file_is_left_to_the_doctor(stopped, tmp_path, monkeypatch, caplog):
    """The look at the start grows with the file, by a second or two for each GB: it must not grow without end."""
    path = shutil.copytree(stopped, tmp_path / "copy") / FILE
    monkeypatch.setattr(seal, "LOOK_MAX_BYTES", path.stat().st_size)
    flip(path, path.stat().st_size // 2, 3)
    assert list(faults_of_sqlite(path.parent)) != []
    monkeypatch.setattr(seal, "LOOK_MAX_BYTES", path.stat().st_size - 1)
    assert list(faults_of_sqlite(path.parent)) == []
    assert "was not examined for damage at the start: stop the monitors" in caplog.text
    assert list(faults_of_sqlite(path.parent, thorough=True)) != []
    engine = open_for_writing(Store(folder=str(path.parent)))
    assert set_seal(engine, path) is False
    engine.dispose()
    writer = Writer(Store(folder=str(path.parent)))
    assert writer.not_examined in caplog.text
    monkeypatch.setattr(seal, "LOOK_MAX_BYTES", 1 << 40)
    assert not_examined(path.parent) == ""
    writer.close()


def test_the_file_is_read_while_this_process_has_no_connection_to_it(engine, tmp_path, monkeypatch):
    """Closing a file ends all POSIX locks of the process on it: SQLite's would be lost to it, but not to others."""
    read, opened = seal._sha256, []

    def counted(path: Path) -> str:
        opened.append(sum(file.resolve() == path.resolve() for file in Path("/proc/self/fd").iterdir()))
        return read(path)

    monkeypatch.setattr(seal, "_sha256", counted)
    with engine.connect() as connection:
        connection.execute(text("select count(*) from gap")).all()
    assert set_seal(engine, tmp_path / FILE)
    assert opened == [0]
