"""Behind messages that are lost the record is made again from the first filling whose cable came later."""

import shutil
from pathlib import Path

import pytest

from tests.shell.test_restart_law import configured
from tests.shell.whole_record import LINE, Whole, whole
from tests.shell.works import SERVER


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Such a record of the laying-up line on SQLite, to be copied."""
    return whole(tmp_path_factory.mktemp("kept"), LINE, 1).place


@pytest.fixture
def copied(kept: Path, tmp_path: Path) -> Whole:
    place = Path(shutil.copytree(kept, tmp_path / "copied"))
    return Whole(place, configured(place, LINE), LINE)


def test_all_but_a_missing_hour_is_compared(copied):
    """12.6: with one damaged file nothing at all was compared."""
    around_an_hour(copied)


def test_all_but_a_missing_hour_is_compared_on_a_server(server, tmp_path):
    (tmp_path / SERVER).write_text(server)
    around_an_hour(whole(tmp_path, LINE, 1))


def around_an_hour(record: Whole) -> None:
    first = record.hours[0]
    kept = first.read_bytes()
    first.unlink()
    behind = record.remade()
    assert [str(d) for d in behind.differences] == []
    assert behind.rows > 500
    (hole,) = behind.not_compared
    assert hole.startswith("the beginning, metre 0, to 2025-11-24 17:")
    assert "(filling 1, drum L1-0001; filling 2, drum L1-0002; " in hole
    assert hole.endswith(f": {first.relative_to(record.place)}: missing")
    first.write_bytes(kept)
    record.damaged("update message set n = n + 7 where id = (select max(id) - 20 from message)")
    before = record.remade()
    assert [str(d) for d in before.differences] == []
    assert before.rows > 5000
    assert [name for name, _ in before.digests][:2] == ["1 L1-0001", "2 L1-0002"]


def test_all_but_a_damaged_message_is_compared(tmp_path):
    """12.6: oven, cure, an approved change of limits and a silent instrument lie behind it."""
    record = whole(tmp_path, "core-1", 3)
    record.damaged("update message set n = n + 7 where id = 276")
    made = record.remade()
    assert [str(d) for d in made.differences] == []
    assert made.rows > 500
    (hole,) = made.not_compared
    assert hole.endswith(": not what was stored")


def test_what_differs_behind_damage_is_found(copied):
    """12.6: in a finding and an alarm of the last filling."""
    copied.hours[0].unlink()
    copied.damaged("update finding set end_m = end_m + 1 where start_ms = (select max(start_ms) from finding)")
    copied.damaged("update alarm_change set event = 'unknown' where id = (select max(id) from alarm_change)")
    found = [str(d) for d in copied.remade().differences]
    for start in ("table finding, ", "table alarm_change, "):
        assert [d for d in found if d.startswith(start)], (start, found)


def test_a_damaged_file_of_rows_costs_its_own_filling(copied):
    """12.6."""
    path = sorted((copied.place / "drums").rglob("*.parquet"))[1]
    path.write_bytes(path.read_bytes()[:-9])
    made = copied.remade()
    assert made.differences == ()
    assert [name for name, _ in made.digests] == ["1 L1-0001", "3 L1-0003"]
    (hole,) = made.not_compared
    assert hole.startswith("rows of filling 2, drum L1-0002: drums/lay-1/000002.parquet: not what was written")
