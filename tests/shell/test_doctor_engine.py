"""The record made again follows what the monitor went through: revisions of its files, known by message or by time."""

import re

import pytest
from sqlalchemy import text

from monitor.store.database import open_for_writing
from tests.shell.whole_record import EDITS, edited, made_again


@pytest.mark.parametrize("edits", EDITS)
def test_a_record_made_again_follows_the_revisions_of_its_files(place, tmp_path_factory, edits):
    """A9: the present file judged all of the record, so that everything before it differed."""
    _, configuration = edited(place, 1, EDITS[edits])
    made = made_again(configuration, tmp_path_factory)
    assert [str(d) for d in made.differences] == []
    assert made.rows > 5000


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
