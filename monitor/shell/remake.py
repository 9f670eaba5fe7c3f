"""The record of a line made again: every message that is stored, from the first on, through a new engine."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Connection, Engine, Table, select

from monitor.analysis.differences import Difference, Key, of_entries, of_rows
from monitor.analysis.in_force import Came, recipes_in_force
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.recipe import Recipe
from monitor.contract.config.works import Store
from monitor.contract.reading import DrumRow
from monitor.contract.record import Output
from monitor.core.arrival import Message, Note, Tick
from monitor.core.fillings import Fillings
from monitor.core.pipeline import Pipeline
from monitor.evidence.filling_digest import filling_digest
from monitor.store import journal, last_known
from monitor.store.database import open_for_reading
from monitor.store.message_history import History
from monitor.store.reader import StoreReader
from monitor.store.revisions import contents, recipes_on_record, recipes_that_came
from monitor.store.schema import (
    ALARM_CHANGE,
    ALARM_NOW,
    COUNTER_FAULT,
    DRUM,
    FINDING,
    GAP,
    IN_FORCE,
    JOURNAL,
    PROPOSAL,
    SPLICE,
    STATE_SPAN,
)
from monitor.store.writer import Batch, Writer

END_MS = 2**53
TOGETHER_M = 5000
FILES = "configuration files"  # who in the journal: the monitor at its start, not a message

# By table: what makes an entry that one, and what another making may give otherwise.
TABLES: tuple[tuple[Table, tuple[str, ...], frozenset[str]], ...] = (
    (FINDING, ("key",), frozenset()),
    (ALARM_CHANGE, ("alarm", "t_ms", "event"), frozenset({"id"})),
    (ALARM_NOW, ("alarm",), frozenset()),
    # Metres by verdict are counted when a drum's rows move into its file; findings may come later.
    (DRUM, ("start_ms",), frozenset({"rows_file", "conforming_m", "suspect_m", "unseen_m", "nonconforming_m"})),
    (SPLICE, ("position", "t_ms"), frozenset()),
    (STATE_SPAN, ("t_ms",), frozenset()),
    (GAP, tuple(c.name for c in GAP.primary_key.columns if c.name != "line"), frozenset()),
    (COUNTER_FAULT, ("t_ms",), frozenset()),
    (PROPOSAL, ("proposal",), frozenset()),
    (IN_FORCE, ("recipe", "revision"), frozenset()),
    (JOURNAL, journal.ONCE[1:], frozenset({"seq", "hash"})),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A line made again: from how many messages since when (UTC ms), and what came of it."""

    messages: int
    first_ms: int | None
    rows: int
    entries: int
    digests: tuple[tuple[str, str], ...]  # (number and drum, digest) of each finished filling
    differences: tuple[Difference, ...]


def remake(configuration: Configuration, line: str, folder: Path) -> Made:
    """Make a line's record again in a folder of its own, and compare."""
    stored, made = configuration.works.store, Store(folder=str(folder))
    messages, first_ms = _feed(configuration, line, made)
    since_ms = END_MS if first_ms is None else first_ms
    entries, differences = _compare_tables(stored, made, line, since_ms)
    readers = StoreReader(stored), StoreReader(made)
    rows = 0
    for where, start_m, end_m in _spans(readers, line, since_ms):
        old, new = (_rows(reader, line, start_m, end_m) for reader in readers)
        rows += len(old["line_metre"])
        differences += of_rows(where, old, new)
    digests = []
    for drum in _finished(readers[0], line, since_ms):
        old_digest, new_digest = (drum_digest(reader, drum) for reader in readers)
        digests.append((f"{drum.filling} {drum.drum}", old_digest))
        if old_digest != new_digest:
            differences.append(
                Difference(f"filling {drum.filling}, drum {drum.drum}", "digest", old_digest[:16], new_digest[:16])
            )
    return Made(
        messages=messages, first_ms=first_ms, rows=rows, entries=entries, digests=tuple(digests),
        differences=tuple(differences),
    )  # fmt: skip


def _compare_tables(stored: Store, made: Store, line: str, since_ms: int) -> tuple[int, list[Difference]]:
    """(entries stored, differences) over all tables that messages make."""
    old_engine, new_engine = open_for_reading(stored), open_for_reading(made)
    count, found = 0, []
    try:
        for table, key, ignored in TABLES:
            old = _entries(old_engine, table, line, key, ignored, since_ms)
            count += len(old)
            found += of_entries(table.name, old, _entries(new_engine, table, line, key, ignored, since_ms))
    finally:
        old_engine.dispose()
        new_engine.dispose()
    return count, found


def _finished(reader: StoreReader, line: str, since_ms: int) -> list[DrumRow]:
    """Drums that have ended, in order, of those that began after the first message."""
    drums = [d for d in reader.drums(line, 10**9) if d.end_m is not None and d.start_ms >= since_ms]
    return sorted(drums, key=lambda d: d.start_m)


def drum_digest(reader: StoreReader, drum: DrumRow) -> str:
    """Digest of a finished drum as a store holds it."""
    line, start_m, end_m = drum.line, drum.start_m, drum.end_m if drum.end_m is not None else np.inf
    changes = reader.alarm_changes(line, drum.start_ms, drum.end_ms or END_MS, 10**9)
    alarms = [a for a in changes if a.line_metre is not None and start_m <= a.line_metre < end_m]
    rows = dict(reader.rows(line, start_m, end_m))
    return filling_digest(rows, reader.verdicts(line, start_m, end_m)[1], reader.findings(line, start_m, end_m), alarms)


def _feed(configuration: Configuration, line: str, made: Store) -> tuple[int, int | None]:
    """(messages, stamp of the first in UTC ms): the record that they make lies in the other store."""
    first, taken = _recipes_of_files(configuration, line)
    pipeline = Pipeline(configuration.lines[line], first)
    writer = Writer(made, [line])
    count, first_s = 0, np.inf
    try:
        for messages in History(configuration, line).read(0, END_MS):
            count += len(messages)
            before_s, first_s = first_s, min([first_s, *(m.t_s for m in messages if isinstance(m, Message))])
            if np.isinf(before_s) and not np.isinf(first_s):
                pipeline.fillings = _fillings_before(configuration, line, round(first_s * 1e3))
            writer.write(Batch(outputs=_fed(pipeline, messages, taken)))
    finally:
        writer.close()
    return count, None if np.isinf(first_s) else round(first_s * 1e3)


def _fed(pipeline: Pipeline, messages: Sequence[Message | Tick | Note], taken: list[Came]) -> list[Output]:
    """Feed messages, and take each recipe of a file at the moment to which the record had come when it was taken."""
    out: list[Output] = []
    at = 0
    while taken:
        at_ms = taken[0][0]
        due = next((i for i in range(at, len(messages)) if _end_ms(messages[i]) >= at_ms), len(messages))
        out += pipeline.feed(messages[at:due])
        at = due
        while at < len(messages) and not _has_come_to(pipeline, at_ms):
            out += pipeline.feed([messages[at]])
            at += 1
        if not _has_come_to(pipeline, at_ms):
            return out
        recipe = taken.pop(0)[1]
        before = dict(pipeline.recipes)
        out += pipeline.take_recipes(before | {recipe.recipe: recipe}, before, FILES)
    return out + pipeline.feed(messages[at:])


def _end_ms(message: Message | Tick | Note) -> float:
    return message.end_s * 1e3 + 1.0 if isinstance(message, Message) else -np.inf


def _has_come_to(pipeline: Pipeline, at_ms: int) -> bool:
    return pipeline.track.end_s > -np.inf and round(pipeline.track.end_s * 1e3) >= at_ms


def _fillings_before(configuration: Configuration, line: str, first_ms: int) -> Fillings:
    """Fillings of which the messages are gone: numbers go on after them."""
    engine = open_for_reading(configuration.works.store)
    try:
        with engine.connect() as connection:
            return last_known.fillings(connection, line, first_ms)
    finally:
        engine.dispose()


def _recipes_of_files(configuration: Configuration, line: str) -> tuple[dict[str, Recipe], list[Came]]:
    """(recipes with which the line began, those of files that came into force since with UTC ms), as on record."""
    engine = open_for_reading(configuration.works.store)
    try:
        with engine.connect() as connection:
            kept, came = contents(recipes_on_record(connection)), recipes_that_came(connection, line)
            f = IN_FORCE.c
            by_files = select(f.recipe, f.revision).where(f.line == line, f.by_whom == FILES)
            of_files = {(r.recipe, r.revision) for r in connection.execute(by_files)}
    finally:
        engine.dispose()
    read = [(k.t_ms, k.content) for k in came if isinstance(k.content, Recipe)]
    first = recipes_in_force(configuration.recipes_for(line), kept.values(), read, at_ms=-1)
    return first, [(t_ms, r) for t_ms, r in read if (r.recipe, r.revision) in of_files]


def _entries(
    engine: Engine, table: Table, line: str, key: tuple[str, ...], ignored: frozenset[str], since_ms: int
) -> dict[Key, dict[str, Any]]:
    """A table's entries of a line since the first message, by key."""
    names = [c.name for c in table.columns if c.name not in ignored]
    since = "t_ms" if "t_ms" in table.c else "start_ms"
    wanted = select(*(table.c[n] for n in names)).where(table.c.line == line, table.c[since] >= since_ms)
    if table is JOURNAL:
        wanted = wanted.where(table.c.who != FILES)
    with engine.connect() as connection:
        rows = [dict(row._mapping) for row in connection.execute(wanted)]
    return {tuple(row[n] for n in key): row for row in rows}


def _spans(readers: tuple[StoreReader, StoreReader], line: str, since_ms: int) -> Iterator[tuple[str, float, float]]:
    """(file or database, from metre, to metre) over all that either store holds since the first message."""
    with readers[0].engine.connect() as connection:
        files = _files(connection, line)
    at = 0.0
    for drum in _finished(readers[0], line, since_ms):
        if drum.end_m is not None:
            yield files.get(drum.start_m) or f"rows of drum {drum.drum}", drum.start_m, drum.end_m
            at = drum.end_m
    for reader in readers:
        first, verdict = reader.verdicts(line, at, 1e15)
        end = first + len(verdict)
        while at < end:
            start = max(at, float(first))
            at = min(start + TOGETHER_M, float(end))
            yield "rows in the database", start, at


def _files(connection: Connection, line: str) -> dict[float, str]:
    """File of each drum by the line metre at which it begins."""
    d = DRUM.c
    rows = connection.execute(select(d.start_m, d.rows_file).where(d.line == line, d.rows_file.is_not(None)))
    return {row.start_m: row.rows_file for row in rows}


def _rows(reader: StoreReader, line: str, start_m: float, end_m: float) -> dict[str, Any]:
    rows = dict(reader.rows(line, start_m, end_m))
    first, verdict = reader.verdicts(line, start_m, end_m)
    metres = rows["line_metre"]
    known = np.full(len(metres), np.nan)
    inside = (metres >= first) & (metres < first + len(verdict))
    known[inside] = verdict[(metres[inside] - first).astype(int)]
    return rows | {"verdict": known}
