"""The record made again from its messages follows what the monitor went through, and all of it is compared."""

import re
import shutil
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest
from sqlalchemy import text

from monitor.contract.config.configuration import Configuration
from monitor.shell.compared import ENTRIES, NOT_COMPARED, OTHERWISE
from monitor.shell.damage import examine
from monitor.shell.processor import Processor
from monitor.shell.remake import Made, remake
from monitor.store.database import open_for_writing
from monitor.store.schema import METADATA
from tests.commands.test_doctor import written
from tests.shell.law_stories import story
from tests.shell.test_restart_law import changed, configured, run, started
from tests.shell.works import settings_at, stored_at

LINE = "lay-1"


def edited(place: Path, seed: int, shares: list[tuple[str, float]]) -> tuple[Processor, Configuration]:
    """A record of hours whose files were edited while it was stopped, at each share of its messages."""
    arrivals, desk, begin = story(LINE, seed), started(configured(place, LINE), LINE, []), 0
    for mode, share in shares:
        end = round(share * len(arrivals))
        run(desk, arrivals[begin:end])
        desk.writer.write(desk.last_batch())
        desk.writer.close()
        desk, begin = started(changed(mode, desk.configuration, LINE), LINE, []), end
    run(desk, arrivals[begin:])
    desk.writer.write(desk.last_batch())
    return desk, desk.configuration


def made_again(configuration: Configuration, tmp_path_factory: pytest.TempPathFactory) -> Made:
    return remake(configuration, LINE, tmp_path_factory.mktemp("made"))


EDITS = {
    "line": [("edited line", 0.43)],
    "line, then recipe": [("edited line", 0.31), ("edited recipe", 0.62)],
    "recipe, then line": [("edited recipe", 0.27), ("edited line", 0.71)],
}


@pytest.mark.parametrize("edits", EDITS)
def test_a_record_made_again_follows_the_revisions_of_its_files(place, tmp_path_factory, edits):
    """A9: the present file judged all of the record, so that everything before it differed."""
    _, configuration = edited(place, 1, EDITS[edits])
    made = made_again(configuration, tmp_path_factory)
    assert [str(d) for d in made.differences] == []
    assert made.rows > 8000


@pytest.mark.parametrize("edits", ["recipe, then line", "both"])
def test_revisions_of_a_line_that_an_older_program_took_are_followed_by_their_time(tmp_path, tmp_path_factory, edits):
    """12.6: before version 9 of the tables no message was kept with them, and doctor judged on by the file before."""
    _, configuration = edited(tmp_path, 1, EDITS.get(edits, [("both edited", 0.43)]))
    engine = open_for_writing(configuration.works.store)
    with engine.begin() as connection:
        for table in ("line_revision", "in_force"):
            connection.execute(text(f"update {table} set message_id = null"))
    engine.dispose()
    with engine.connect() as connection:
        wanted = text("select since_ms from line_revision where revision = 2 union select t_ms from in_force")
        taken_ms = connection.execute(wanted).scalars().all()
    engine.dispose()
    made = made_again(configuration, tmp_path_factory)
    assert len(made.differences) < 10  # by which of the messages of one moment it was is not known
    times_ms = [int(t_ms) for d in made.differences for t_ms in re.findall(r"\b\d{13}\b", d.where)]
    assert [t for t in times_ms if min(abs(t - at_ms) for at_ms in taken_ms) > 300_000] == []
    assert [note.partition(" was taken by an older program")[0] for note in made.notes] == [
        "revision 2 of lay-1", "revision 3 of laid-2x2g5",
    ]  # fmt: skip


def test_every_table_is_compared_or_has_a_reason_why_not():
    """A9: a table that is added to the schema and forgotten here fails."""
    listed = [entered.table for entered in ENTRIES] + [*OTHERWISE, *NOT_COMPARED]
    assert sorted(table.name for table in listed) == sorted(METADATA.tables)


OF_CORE_1 = {
    "update ledger set spans = replace(spans, '[0,', '[1,') where quantity = 'drum'": "table ledger, take-up drum",
    "update ledger set upto = upto + 1 where quantity = 'speed'": "table ledger, metre-counter speed, upto",
    "delete from ledger where quantity = 'pressure'": "table ledger, head pressure: stored none",
    "update line_now set now = replace(now, 'C1-0003', 'C1-0007')": "table line_now, core-1, now/drum",
    "update alarm_now set after = 'normal'": "table alarm_now, ",
    "update drum set conforming_m = conforming_m + 1 where filling = 2": "table drum, filling 2, drum C1-0002, ",
}
OF_LAY_1 = {
    "update in_force set line_metre = 1": "table in_force, laid-2x2g5 ",
    "update line_revision set since_m = since_m + 1": "table line_revision, 2, since_m",
    "update counter_fault set kind = 'slip'": "table counter_fault, ",
    "update splice set left_m = 1": "table splice, ",
    "update proposal set state = 'refused'": "table proposal, P1, state",
    "update state_span set reason = 'unknown'": "table state_span, ",
}


def test_whatever_is_changed_in_a_table_differs(place, tmp_path_factory):
    """A9: the ledger, the line at this moment and a drum's sums were compared with nothing."""
    written(place).dispose()
    change(place, OF_CORE_1)
    made = remake(stored_at(place), "core-1", tmp_path_factory.mktemp("made"))
    named_as(OF_CORE_1, made)


def test_whatever_is_changed_in_a_table_of_a_revised_line_differs(place, tmp_path_factory):
    """A9."""
    _, configuration = edited(place, 1, EDITS["line"])
    change(place, OF_LAY_1)
    named_as(OF_LAY_1, made_again(configuration, tmp_path_factory))


def change(place: Path, changes: Iterable[str]) -> None:
    engine = open_for_writing(settings_at(place))
    with engine.begin() as connection:
        for one in changes:
            assert connection.execute(text(one)).rowcount > 0, one
    engine.dispose()


def named_as(changes: Mapping[str, str], made: Made) -> None:
    found = [str(d) for d in made.differences]
    for one, start in changes.items():
        assert [d for d in found if d.startswith(start)], (one, found)


# ---- around damage -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Whole:
    """A record whose monitor has stopped, all but the newest in files, and what is compared of it."""

    place: Path
    configuration: Configuration
    line: str

    @property
    def hours(self) -> list[Path]:
        return sorted((self.place / "lines" / self.line).rglob("*.parquet"))

    def damaged(self, statement: str) -> None:
        engine = open_for_writing(self.configuration.works.store)
        with engine.begin() as connection:
            assert connection.execute(text(statement)).rowcount > 0
        engine.dispose()

    def remade(self) -> Made:
        with tempfile.TemporaryDirectory(dir=self.place) as folder:
            return remake(self.configuration, self.line, Path(folder), examine(self.configuration))


def whole(place: Path, line: str, seed: int) -> Whole:
    arrivals, desk = story(line, seed), started(configured(place, line), line, [])
    run(desk, arrivals)
    desk.writer.write(desk.last_batch())
    desk.roll()
    desk.writer.close()
    return Whole(place, desk.configuration, line)


def test_all_but_a_missing_hour_is_compared(place):
    """12.6: with one damaged file nothing at all was compared."""
    record = whole(place, LINE, 1)
    first, second = record.hours
    kept = second.read_bytes()
    second.unlink()
    before = record.remade()
    second.write_bytes(kept)
    first.unlink()
    behind = record.remade()
    assert [str(d) for d in (*before.differences, *behind.differences)] == []
    assert (before.rows, len(before.digests)) == (2993, 1)
    assert (behind.rows, len(behind.digests)) == (5944, 1)
    (hole,) = behind.not_compared
    assert hole == (
        "the beginning, metre 0, to 2025-11-24 17:27:17 UTC, metre 4346 (filling 1, drum L1-0001, from metre 0 on; "
        f"filling 2, drum L1-0002): {first.relative_to(place)}: missing"
    )


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Such a record of the laying-up line on SQLite, to be copied."""
    return whole(tmp_path_factory.mktemp("kept"), LINE, 1).place


@pytest.fixture
def copied(kept: Path, tmp_path: Path) -> Whole:
    place = Path(shutil.copytree(kept, tmp_path / "copied"))
    return Whole(place, configured(place, LINE), LINE)


def test_all_but_a_damaged_message_is_compared(tmp_path):
    """12.6: oven, cure, an approved change of limits and a silent instrument lie behind it."""
    record = whole(tmp_path, "core-1", 3)
    record.damaged("update message set n = n + 7 where id = 276")
    made = record.remade()
    assert [str(d) for d in made.differences] == []
    assert made.rows > 700
    (hole,) = made.not_compared
    assert "message 276 of core-1/oven-a/temperature: not what was stored" in hole


def test_what_differs_behind_damage_is_found(copied):
    """12.6: in a row, a finding and an alarm of the last filling, and in the sums of the one before."""
    copied.hours[0].unlink()
    copied.damaged("update finding set end_m = end_m + 1 where start_ms = (select max(start_ms) from finding)")
    copied.damaged("update alarm_change set event = 'unknown' where id = (select max(id) from alarm_change)")
    copied.damaged("update drum set conforming_m = conforming_m + 1 where filling = 3")
    found = [str(d) for d in copied.remade().differences]
    for start in ("table finding, ", "table alarm_change, ", "table drum, filling 3, drum L1-0003, conforming_m"):
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
