"""Backups as the readme has them, tried: what is restored is the record."""

import shutil
import sqlite3
import subprocess
from pathlib import Path

import pytest

from monitor.contract.config.works import Store
from monitor.core.arrival import Arrival
from monitor.shell.processor import Processor
from monitor.store import rolling as rollup
from monitor.store.reader import StoreReader
from tests.core.test_pipeline import core_line
from tests.shell import postgres
from tests.shell.works import SERVER, everything, processor_at, settings_at, take
from tests.store.test_writer import busy


@pytest.fixture(scope="module")
def arrivals() -> list[Arrival]:
    return core_line(130, before=busy).sorted()


def kept(place: Path, arrivals: list[Arrival]) -> Processor:
    processor = processor_at(place)
    take(processor, arrivals)
    processor.writer.write(processor.last_batch())
    rollup.roll_drums(processor.writer.engine, place)
    return processor


def test_sqlite_while_the_monitor_writes(tmp_path, arrivals):
    processor = kept(tmp_path / "store", arrivals[:2000])
    copy = tmp_path / "copy"
    copy.mkdir()
    with sqlite3.connect(tmp_path / "store" / "record.sqlite") as c:
        c.execute("vacuum into ?", [str(copy / "record.sqlite")])
    shutil.copytree(tmp_path / "store" / "drums", copy / "drums", dirs_exist_ok=True)
    before = everything(tmp_path / "store")
    take(processor, arrivals[2000:])
    assert everything(copy) == before
    take(processor_at(copy, again=True), arrivals[2000:])
    assert everything(copy) == everything(tmp_path / "store")


def test_postgresql_by_its_own_tools(tmp_path, server, arrivals):
    (tmp_path / SERVER).write_text(server)
    kept(tmp_path, arrivals)
    before = everything(tmp_path)
    url = settings_at(tmp_path).database_url
    dump = subprocess.run([postgres.program("pg_dump"), "--format=custom", url], capture_output=True, check=True).stdout
    copy = postgres.database_for(server, "restored")
    restored = [postgres.program("pg_restore"), "--no-owner", f"--dbname={copy}"]
    subprocess.run(restored, input=dump, check=True)
    store = Store(folder=str(tmp_path), database_url=copy)
    reader = StoreReader(store)
    assert list(reader.drums("core-1")) == before["drums"]
    assert sorted(map(repr, reader.findings("core-1", -1e9, 1e9))) == before["findings"]
    first, verdict = reader.verdicts("core-1", 0, 1e9)
    assert (first, verdict.tolist()) == before["verdict"]
