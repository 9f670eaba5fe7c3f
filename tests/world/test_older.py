"""What the world takes for the store of an older program is one, and the program of today goes on from it."""

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from monitor.core import snapshot
from monitor.core.arrival import Arrival
from monitor.core.engine import Engine
from monitor.shell.processor import Processor
from monitor.shell.restore import restore
from monitor.store.database import FILE
from monitor.store.writer import Writer
from tests.shell.works import take
from tests.world.older import LAYOUT, OLDER, go_back
from tests.world.stories import SHORT
from tests.world.works import LINE, configuration
from tests.world.world import arrivals_of, everything, messages_of, undisturbed


@pytest.mark.parametrize("version", OLDER)
def test_a_line_goes_on_from_the_store_of_any_version(tmp_path, version):
    arrivals = arrivals_of(messages_of(1, SHORT))
    run(tmp_path, arrivals[:30])
    go_back(tmp_path, version)
    with closing(sqlite3.connect(tmp_path / FILE)) as connection:
        assert connection.execute("select version_num from alembic_version").fetchone() == (f"{version:04}",)
    log = run(tmp_path, arrivals[30:])
    assert "0 messages after the snapshot" in log[-1]
    assert without_events(everything(tmp_path)) == without_events(undisturbed(1, SHORT))


def without_events(record: dict[str, Any]) -> dict[str, Any]:
    """Of what was open then, events do not know what came before."""
    return {name: value for name, value in record.items() if name != "events"}


def run(folder: Path, arrivals: Sequence[Arrival]) -> list[str]:
    """A process that takes messages, moves what is due into files, and stops; what it logged at its start."""
    c, log = configuration(str(folder), SHORT), list[str]()
    writer = Writer(c.works.store, [LINE])
    engine = Engine({LINE: restore(writer, c, LINE, log.append)})
    processor = Processor(configuration=c, writer=writer, engine=engine)
    take(processor, arrivals, 5)
    writer.write(processor.last_batch())
    processor.roll()
    writer.close()
    return log


def test_an_earlier_layout_of_snapshots_is_among_what_an_older_program_leaves():
    assert snapshot.VERSION == LAYOUT + 2, "give `as_version_9` the way back from the new layout too"
