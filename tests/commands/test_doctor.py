"""`everymetre doctor`: a sound store is equal to what its messages make; damage anywhere is noticed and named."""

import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from sqlalchemy import Engine as Database
from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError

from monitor.__main__ import main
from monitor.commands.doctor import _without_file, lines_without_file
from monitor.core.engine import Engine
from monitor.shell.compare_stores import drum_digest
from monitor.shell.damage import examine
from monitor.shell.doctor_rebuild import RebuiltLine, rebuild, room_bytes
from monitor.shell.processor import Processor
from monitor.shell.restore import restore
from monitor.store import rolling as rollup
from monitor.store.database import FILE, DamagedStoreError, open_for_writing
from monitor.store.lease import hold
from monitor.store.reader import StoreReader
from tests.core.script import CONFIGS, T0
from tests.core.test_pipeline import core_line
from tests.shell.test_damage import slow_script
from tests.shell.works import processor_at, settings_at, stored_at, take
from tests.store.test_writer import busy

FLIPS = 24
EMPTY_BYTES = 300_000  # of a store's tables without a row


def written(place: Path) -> Database:
    """A record partly in files, partly in the database, its monitor stopped."""
    processor = processor_at(place)
    processor.writer.keep_revisions(processor.configuration.recipes.values(), T0)
    take(processor, core_line(130, before=busy).sorted())
    processor.writer.write(processor.last_batch())
    rollup.roll_drums(processor.writer.engine, place)
    return processor.writer.engine


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store on SQLite, to be copied."""
    folder = tmp_path_factory.mktemp("record")
    written(folder).dispose()
    return folder


@pytest.fixture
def copy(record: Path, tmp_path: Path) -> Path:
    """A copy of it, the log of what was written last merged into the file."""
    folder = tmp_path / "record"
    shutil.copytree(record, folder)
    engine = open_for_writing(settings_at(folder))
    with engine.connect() as connection:
        connection.execute(text("pragma wal_checkpoint(truncate)"))
    engine.dispose()
    return folder


def doctor(folder: Path, *words: str) -> int:
    return main(["doctor", "--configs", str(CONFIGS), "--store", str(folder), *words])


@pytest.mark.parametrize("hours_in_files", [False, True])
def test_a_record_made_again_from_its_messages_is_equal(place, tmp_path_factory, hours_in_files):
    """A9."""
    engine = written(place)
    if hours_in_files:
        assert rollup.roll_hours(engine, place, -rollup.HOUR_MS)
    made = rebuild(stored_at(place), "core-1", tmp_path_factory.mktemp("made"))
    assert made.differences == ()
    assert made.messages > 1800
    assert made.rows > 400
    assert made.entries >= 10
    assert [name for name, _ in made.digests] == ["1 C1-0001", "2 C1-0002"]
    assert examine(stored_at(place)).faults == []


def test_a_record_made_again_follows_the_recipes_that_files_brought_meanwhile(place, tmp_path_factory):
    """A9: what differed was said to come of a new revision, and nobody could see whether anything else did."""
    arrivals = core_line(130, before=busy).sorted()
    at = len(arrivals) * 2 // 5
    processor = processor_at(place)
    processor.writer.keep_revisions(processor.configuration.recipes.values(), T0)
    take(processor, arrivals[:at])
    recipe = processor.configuration.recipes["core-2g5"]
    windows = [w.model_copy(update={"hi": 289.0}) if w.stream == "oven-a/temperature" else w for w in recipe.window]
    edited = recipe.model_copy(update={"revision": recipe.revision + 1, "window": windows})
    c = processor.configuration.model_copy(update={"recipes": processor.configuration.recipes | {"core-2g5": edited}})
    again = Processor(
        configuration=c,
        writer=processor.writer,
        engine=Engine({line: restore(processor.writer, c, line, lambda _: None) for line in c.lines}),
    )
    processor.writer.keep_revisions(c.recipes.values(), T0 + 1)
    take(again, arrivals[at:])
    processor.writer.write(again.last_batch())
    assert [r.recipe.revision for r in StoreReader(settings_at(place)).came_into_force("core-1")] == [edited.revision]
    assert rebuild(c, "core-1", tmp_path_factory.mktemp("made")).differences == ()


def test_a_fillings_digest_is_the_same_live_in_its_file_and_restored(place, tmp_path_factory):
    processor = processor_at(place)
    take(processor, core_line(130, before=busy).sorted())
    reader = StoreReader(settings_at(place))

    def digests() -> list[str]:
        return [drum_digest(reader, drum) for drum in reader.drums("core-1") if drum.end_m is not None]

    live = digests()
    assert len(set(live)) == 2
    processor.writer.write(processor.last_batch())
    rollup.roll_drums(processor.writer.engine, place)
    assert digests() == live
    processor_at(place, again=True)
    assert digests() == live
    made = rebuild(stored_at(place), "core-1", tmp_path_factory.mktemp("made"))
    assert sorted(digest for _, digest in made.digests) == sorted(live)


CHANGES = {
    "update finding set end_m = end_m + 1 where end_m is not null": ("table finding, ", "end_m"),
    "delete from alarm_change where event = 'raised'": ("table alarm_change, ", ""),
    "update drum set recipe = 'core-1g5' where drum = 'C1-0002'": ("table drum, ", "recipe"),
    "update state_span set reason = 'never given'": ("table state_span, ", "reason"),
    "insert into gap (line, stream, start, first, last, t_ms) values ('core-1', 'a/b', 0, 1, 2, 1764000050000)": (
        "table gap, ",
        "",
    ),
}


@pytest.mark.parametrize("change", CHANGES)
def test_what_differs_in_a_table_is_named_with_key_and_column(copy, tmp_path, change):
    """A9."""
    engine = open_for_writing(settings_at(copy))
    with engine.begin() as connection:
        assert connection.execute(text(change)).rowcount > 0
    engine.dispose()
    differences = rebuild(stored_at(copy), "core-1", tmp_path / "made").differences
    where, column = CHANGES[change]
    assert [d for d in differences if d.where.startswith(where) and d.column == column]
    assert doctor(copy, "--lines", "core-1") == 1


UNTOLD = {
    "update message set n = n + 1 where id = 7": "message 7 of core-1/",
    "update message set end_ms = end_ms + 1 where id = 8": "message 8 of core-1/",
    "update revision set text = replace(text, 'core-2g5', 'core-2g6') where recipe = 'core-2g5'": "revision ",
}


def test_damage_that_no_other_table_tells_is_named(place):
    """A9: a bit of the newest messages, of which no row of metres was given out yet, or of a recipe's text."""
    engine = written(place)
    assert examine(stored_at(place)).faults == []
    with engine.begin() as connection:
        payload = connection.execute(text("select payload from message order by id desc limit 1")).scalar_one()
        changed = bytes(payload).replace(b"1", b"2", 1)
        wanted = text("update message set payload = :p where id = (select max(id) from message)")
        connection.execute(wanted, {"p": changed})
        for change in UNTOLD:
            assert connection.execute(text(change)).rowcount == 1, change
    found = examine(stored_at(place)).faults
    assert len([line for line in found if line.endswith("not what was stored")]) == 3
    for start in UNTOLD.values():
        assert [line for line in found if line.startswith(start)], found


def test_an_hour_with_a_damaged_message_stays_in_the_database_and_the_others_roll(place):
    """A8, A9: in a file the damage would bear a digest of its own."""
    processor = rolled(place)
    with processor.writer.engine.begin() as connection:
        connection.execute(text("update message set n = n + 1000 where id = 9"))
    failed: dict[str, str] = {}
    moved = rollup.roll_hours(processor.writer.engine, place, 0, None, failed.__setitem__)
    assert len(moved) == 2
    assert list(failed.values()) == ["ValueError: message 9 of oven-a/temperature is damaged in the database"]


def rolled(place: Path) -> Processor:
    processor = processor_at(place)
    take(processor, slow_script())
    processor.writer.write(processor.last_batch())
    return processor


def test_what_differs_in_a_file_is_named_with_metre_and_column(copy, tmp_path):
    """A9."""
    path = max((copy / "drums").rglob("*.parquet"))  # the first drum began before the ovens were seen
    table = pq.ParquetFile(path).read()
    names = table.column_names
    values = table["oven-a/temperature"].to_pylist()
    values[60] += 0.5
    pq.write_table(table.set_column(names.index("oven-a/temperature"), "oven-a/temperature", pa.array(values)), path)
    metre = int(table["line_metre"][60].as_py())
    name = path.relative_to(copy).as_posix()
    found = [(d.where, d.column) for d in rebuild(stored_at(copy), "core-1", tmp_path / "made").differences]
    assert (f"{name}, metre {metre}", "oven-a/temperature") in found


@pytest.mark.parametrize("seed", range(6))
def test_forty_flipped_bits_are_noticed(copy, seed, capsys):
    """A9: three of six such stores opened and wrote on."""
    rng = random.Random(seed)
    path = copy / FILE
    data = bytearray(path.read_bytes())
    for _ in range(40):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    path.write_bytes(data)
    assert doctor(copy, "--lines", "core-1") == 1
    assert "Traceback" not in capsys.readouterr().out


def content(path: Path) -> dict[str, list[tuple]]:
    """All that a database holds, read table by table."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        connection.text_factory = bytes
        tables = [row[0].decode() for row in connection.execute("select name from sqlite_master where type = 'table'")]
        found = {table: list(connection.execute(f'select rowid, * from "{table}"')) for table in tables}
        return found | {"": list(connection.execute("select * from sqlite_master"))}


def is_content(path: Path, wanted: dict[str, list[tuple]]) -> bool:
    try:
        return content(path) == wanted
    except (sqlite3.Error, UnicodeDecodeError):
        return False


def is_noticed(folder: Path, made: Path) -> bool:
    if examine(stored_at(folder)).faults:
        return True
    try:
        return not rebuild(stored_at(folder), "core-1", made).is_equal
    except (SQLAlchemyError, ValueError, msgspec.MsgspecError):
        return True  # doctor prints it


def test_one_flipped_bit_in_use_is_noticed_after_a_kill_too(copy, tmp_path):
    """A9: without the seal of a stop. Of 200 such bits 98 were in no use, and the other 102 were noticed."""
    rng, path, whole, unused = random.Random(7), copy / FILE, content(copy / FILE), 0
    data = path.read_bytes()
    for i in range(FLIPS):
        at = rng.randrange(len(data))
        path.write_bytes(data[:at] + bytes([data[at] ^ 1 << rng.randrange(8)]) + data[at + 1 :])
        if is_content(path, whole):
            unused += 1
        else:
            assert is_noticed(copy, tmp_path / str(i)), at
    assert unused < FLIPS * 0.7


def test_a_flipped_bit_in_any_file_is_noticed(copy, capsys):
    """A9."""
    for path in sorted((copy / "drums").rglob("*.parquet")):
        data = path.read_bytes()
        for at in (10, len(data) // 2, len(data) - 6):
            changed = bytearray(data)
            changed[at] ^= 1
            path.write_bytes(changed)
            assert doctor(copy, "--quick") == 1, (path, at)
        path.write_bytes(data)
    assert doctor(copy, "--lines", "core-1") == 0


@pytest.mark.parametrize("way", [Path.unlink, lambda path: path.write_bytes(b"")])
def test_a_record_without_its_database_is_not_begun_again(copy, way):
    """A9: a store of 0 bytes started empty at metre 0 though drums lay beside it."""
    way(copy / FILE)
    with pytest.raises(DamagedStoreError, match="empty or missing, though 2 files of hours and drums lie beside it"):
        open_for_writing(settings_at(copy))
    assert doctor(copy) == 1
    shutil.rmtree(copy / "drums")
    open_for_writing(settings_at(copy)).dispose()


def test_a_damaged_database_is_not_written_on(copy):
    """A9."""
    path = copy / FILE
    data = bytearray(path.read_bytes())
    data[4096 * 3 : 4096 * 3 + 40] = bytes(40)
    path.write_bytes(data)
    with pytest.raises(DamagedStoreError, match=r"is damaged: .*restore a backup"):
        open_for_writing(settings_at(copy))


def test_a_missing_file_and_one_set_aside_are_named(copy, capsys):
    """A8."""
    first, second = sorted((copy / "drums").rglob("*.parquet"))
    first.unlink()
    second.rename(second.with_name(second.name + ".damaged-1"))
    assert doctor(copy, "--quick") == 1
    printed = capsys.readouterr().out
    assert f"{first.relative_to(copy)}: missing" in printed
    assert "damaged-1: set aside as damaged" in printed
    assert "3 faults: damaged. What to do: stop the monitor of these lines" in printed


def test_doctor_lists_damage_and_compares_all_else(copy, capsys):
    """12.6: where anything was damaged, nothing was compared."""
    first = sorted((copy / "drums").rglob("*.parquet"))[0]
    first.unlink()
    assert doctor(copy, "--lines", "core-1") == 1
    printed = capsys.readouterr().out
    assert "1 faults: damaged" in printed
    assert "finished drums again: equal, as far as it can be compared" in printed
    assert "not compared: rows of filling 1, drum C1-0001: drums/core-1/000001.parquet: missing" in printed


def test_a_recipe_and_a_line_without_their_files_are_made_again_from_the_record(place, tmp_path_factory, capsys):
    """A9: the record has what the files said; that a file has gone is no damage."""
    processor = processor_at(place, again=True, lines=["core-1"])
    processor.writer.keep_revisions(processor.configuration.recipes.values(), T0)
    take(processor, core_line(130, before=busy).sorted())
    processor.writer.write(processor.last_batch())
    c = processor.configuration
    recipes = {name: recipe for name, recipe in c.recipes.items() if name != "core-2g5"}
    made = rebuild(c.model_copy(update={"recipes": recipes}), "core-1", tmp_path_factory.mktemp("made"))
    assert (made.differences, made.is_equal) == ((), True)
    lines = {name: line for name, line in c.lines.items() if name != "core-1"}
    without = c.model_copy(update={"recipes": recipes, "lines": lines})
    assert lines_without_file(c) == {}
    assert lines_without_file(without) == {"core-1": c.lines["core-1"]}
    work = tmp_path_factory.mktemp("work")
    assert list(_without_file(without, work, examine(without), digests=False)) == [True]
    printed = capsys.readouterr().out
    assert "core-1: no file describes it any more; it is made again as revision" in printed
    assert "2 finished drums again: equal" in printed
    with processor.writer.engine.begin() as connection:
        connection.execute(text("delete from line_revision"))
    assert list(_without_file(without, work, examine(without), digests=False)) == [False]
    assert "core-1: on record, and described neither there nor by a file: not compared" in capsys.readouterr().out


def test_the_exit_codes_are_in_the_help(capsys):
    with pytest.raises(SystemExit):
        main(["doctor", "--help"])
    assert "Exit code: 0 intact and equal, 1 damaged or different, 2 not run" in " ".join(
        capsys.readouterr().out.split()
    )


def test_a_store_that_a_monitor_writes_is_left_alone(copy, capsys):
    with hold(settings_at(copy), ["core-1"], T0):
        assert doctor(copy) == 2
    assert "already written by process" in capsys.readouterr().err


def test_the_record_is_made_again_beside_the_store_or_where_it_is_wanted(copy, tmp_path, monkeypatch, capsys):
    """12.6: it went to TMPDIR, which is often memory or small."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "nowhere"))
    made: list[Path] = []

    def noted(*words: Any) -> RebuiltLine:
        made.append(words[2])
        return rebuild(*words)

    monkeypatch.setattr("monitor.commands.doctor.rebuild", noted)
    assert doctor(copy, "--lines", "core-1") == 0
    assert doctor(copy, "--lines", "core-1", "--work-dir", str(tmp_path / "elsewhere")) == 0
    assert [folder.parent for folder in made] == [copy / "work", tmp_path / "elsewhere"]
    assert [list(folder.parent.iterdir()) for folder in made] == [[], []]


def test_a_work_folder_without_room_is_refused_with_the_remedy(copy, monkeypatch, capsys):
    monkeypatch.setattr("shutil.disk_usage", lambda _: shutil._ntuple_diskusage(10**9, 10**9 - 1000, 1000))
    assert doctor(copy, "--lines", "core-1") == 2
    assert "name another with --work-dir" in capsys.readouterr().err


def test_the_room_that_a_line_needs_is_not_less_than_it_takes(copy, tmp_path):
    rebuild(stored_at(copy), "core-1", tmp_path / "made")
    took = sum(path.stat().st_size for path in (tmp_path / "made").rglob("*") if path.is_file())
    assert took < room_bytes(stored_at(copy), "core-1") + EMPTY_BYTES
