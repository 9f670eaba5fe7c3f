"""A database that holds nothing is not taken for the one of a folder full of files."""

from pathlib import Path
from types import SimpleNamespace

import pytest
from sqlalchemy import insert
from sqlalchemy.exc import DatabaseError

from monitor.store.database import DamagedStoreError, open_for_writing, rising
from monitor.store.schema import DRUM
from tests.shell.works import settings_at


def put_file(place: Path) -> Path:
    file = place / "drums" / "core-1" / "000001.parquet"
    file.parent.mkdir(parents=True)
    file.write_bytes(b"the rows of a drum")
    return file


@pytest.mark.parametrize("made", [False, True])
def test_an_empty_database_beside_a_full_folder_is_refused(place, made):
    """A8: PostgreSQL took it, fillings began at 1, and the drums' files were replaced one after the other."""
    if made:
        open_for_writing(settings_at(place)).dispose()
    file = put_file(place)
    with pytest.raises(DamagedStoreError, match=r"1 files? of hours and drums .* restore a backup"):
        open_for_writing(settings_at(place))
    assert file.read_bytes() == b"the rows of a drum"


def test_a_database_that_knows_of_drums_is_taken_with_its_files(place):
    engine = open_for_writing(settings_at(place))
    with engine.begin() as connection:
        row = {"filling": 1, "drum": "A", "recipe": "r", "revision": 1, "start_m": 0.0, "start_ms": 0}
        connection.execute(insert(DRUM).values(line="core-1", **row))
    engine.dispose()
    put_file(place)
    open_for_writing(settings_at(place)).dispose()


@pytest.mark.parametrize("ids", [[6, 7, 7], [6, 8, 7], [5], [4], ["7"], [None]])
def test_rows_whose_ids_do_not_rise_are_damage(ids):
    """A9: with a damaged index, doctor read the same rows for ever."""
    with pytest.raises(DatabaseError, match="their ids do not rise"):
        rising([SimpleNamespace(id=one) for one in ids], 5)


@pytest.mark.parametrize("ids", [[], [6], [6, 7, 100]])
def test_rows_whose_ids_rise_are_given_back(ids):
    rows = [SimpleNamespace(id=one) for one in ids]
    assert rising(rows, 5) is rows
