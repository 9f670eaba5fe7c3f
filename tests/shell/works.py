"""A demo works in a folder of its own, and a processor that keeps its record: for tests of the shell."""

import dataclasses
import re
import shutil
import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import Engine as Database
from sqlalchemy import select

from monitor.contract.config.configuration import Configuration
from monitor.contract.config.works import Store
from monitor.contract.topics import MONITOR
from monitor.core.arrival import Arrival
from monitor.core.engine import Engine
from monitor.shell.broker_link import Received
from monitor.shell.processor import Processor
from monitor.shell.restore import restore
from monitor.store.numbering import StreamNumbers
from monitor.store.reader import StoreReader
from monitor.store.schema import LEDGER
from monitor.store.writer import Writer
from tests.core.script import CONFIGS, configuration
from tests.ports import free_port
from tests.shell import postgres

PATIENCE = 6.0  # times what a quiet machine needs: only a test that fails waits so long
SERVER = "database-server"  # a file with the address of the server that keeps what folders around it hold


def settings_at(folder: Path) -> Store:
    """The store of a folder: SQLite in it, or a database of its own on the server that the file names."""
    place = next((at / SERVER for at in (folder, folder.parent) if (at / SERVER).is_file()), None)
    if place is None:
        return Store(folder=str(folder))
    return Store(folder=str(folder), database_url=postgres.database_for(place.read_text(), str(folder)))


def stored_at(folder: Path) -> Configuration:
    """The demo works with its store in a folder."""
    c = configuration()
    works = c.works.model_copy(update={"store": settings_at(folder)})
    return c.model_copy(update={"works": works})


def processor_at(folder: Path, again: bool = False, lines: Sequence[str] | None = None) -> Processor:
    """A processor over a store; `again` restores its engines from what is stored; `lines` are its own."""
    c = stored_at(folder)
    writer = Writer(c.works.store, lines)
    mine = list(lines or c.lines)
    if again:
        return Processor(
            configuration=c,
            writer=writer,
            engine=Engine({line: restore(writer, c, line, lambda _: None) for line in mine}),
        )
    return Processor(configuration=c, writer=writer, engine=Engine.of(c, mine))


def take(processor: Processor, arrivals: Sequence[Arrival], size: int = 200) -> None:
    """Through the processor and into the store, in batches."""
    for start in range(0, len(arrivals), size):
        part = arrivals[start : start + size]
        batch = processor.take([Received(a, lambda: None) for a in part], part[-1].received_s)
        processor.writer.write(batch)


def numbers_stored(database: Database) -> "Counter[str]":
    """How many messages of each line are in the ledger, which knows also of those that have moved into files."""
    wanted = select(LEDGER.c.line, LEDGER.c.spans).where(LEDGER.c.station != MONITOR)
    found: Counter[str] = Counter()
    with database.connect() as connection:
        for row in connection.execute(wanted):
            spans = (span for numbering in StreamNumbers.read(row.spans).numberings for span in numbering.stored())
            found[row.line] += sum(last - first + 1 for first, last in spans)
    return found


def everything(folder: Path, line: str = "core-1") -> dict[str, Any]:
    """All that the record says of a line but for the monitor itself, for comparing two records."""
    return everything_of(StoreReader(settings_at(folder)), line)


def everything_of(reader: StoreReader, line: str) -> dict[str, Any]:
    """All that a record says of a line but for the monitor itself."""
    rows = reader.rows(line, 0, 1e9)
    first, verdict = reader.verdicts(line, 0, 1e9)
    changes = [dataclasses.replace(a, until_ms=None) for a in reader.alarm_changes(line, 0, 10**15, 10**6)]
    changes = [a for a in changes if not a.alarm.startswith("monitor/")]
    return {
        "drums": list(reader.drums(line)),
        "findings": sorted(map(repr, reader.findings(line, -1e9, 1e9))),
        "changes": sorted(map(repr, changes)),
        "events": sorted(repr(e) for e in reader.events_begun(line, -1e9, 1e9) if e.kind != "monitor"),
        "now": sorted(repr(a) for a in reader.alarms_now(line) if not a.alarm.startswith("monitor/")),
        "states": list(reader.states(line, 0, 10**15)),
        "gaps": list(reader.gaps(line, 0, 10**15)),
        "rows": {name: [None if x != x else x for x in column.tolist()] for name, column in sorted(rows.items())},
        "verdict": (first, verdict.tolist()),
    }


def configs_at(folder: Path) -> tuple[Path, int, int]:
    """A copy of the demo's configuration on free ports, as `configuration` has it: (folder, broker's port, pages')."""
    port, page = free_port(), free_port()
    shutil.copytree(CONFIGS, folder / "configs")
    works = folder / "configs" / "works.toml"
    text = works.read_text().replace("18831", str(port)).replace("18850", str(page))
    works.write_text(text.replace(".run/store", str(folder / "run" / "store")))
    for recipe in (folder / "configs" / "recipes").glob("*.toml"):
        recipe.write_text(re.sub(r"(?m)^revision = \d+$", "revision = 1", recipe.read_text(), count=1))
    return folder / "configs", port, page


def until(ready: Callable[[], object], within_s: float = 20.0, what: str = "it") -> None:
    """Wait for something that another process does, which can only be asked again and again; fails by naming it.

    `within_s` is what a quiet machine needs at the most; a busy one gets `PATIENCE` times that.
    """
    within_s *= PATIENCE
    deadline = time.monotonic() + within_s
    while not ready():
        assert time.monotonic() < deadline, f"{what} did not come within {within_s} s"
        time.sleep(0.05)
