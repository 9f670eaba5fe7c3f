"""Tables of a store: which are compared with the record rebuilt from the messages, and why others are not."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Literal

import msgspec
import numpy as np
import pyarrow as pa
from sqlalchemy import Connection, Engine, Table, or_, select
from sqlalchemy.exc import SQLAlchemyError

from monitor.analysis.differences import Difference, Entries, Key, of_entries, of_rows
from monitor.contract.config.works import Store
from monitor.contract.reading import DrumRow
from monitor.contract.record import Verdict
from monitor.contract.topics import Stream, present
from monitor.evidence.filling_digest import filling_digest
from monitor.store import audit_trail
from monitor.store.database import upsert
from monitor.store.events import first_ms
from monitor.store.numbering import Span, StreamNumbers, joined
from monitor.store.parquet_files import why
from monitor.store.reader import StoreReader
from monitor.store.revisions import FILES
from monitor.store.rolling import counts
from monitor.store.schema import (
    ALARM_CHANGE,
    ALARM_NOW,
    CHECKPOINT,
    COUNTER_FAULT,
    DRUM,
    EVENT,
    FINDING,
    GAP,
    HEALTH,
    IN_FORCE,
    JOURNAL,
    LEDGER,
    LINE_NOW,
    LINE_REVISION,
    MANIFEST,
    MESSAGE,
    METRE_BLOCK,
    PROPOSAL,
    REJECTED,
    REVISION,
    SET_ASIDE,
    SPLICE,
    STATE_SPAN,
)

END_MS = 2**53
TOGETHER_M = 5000
SUMS = tuple(f"{verdict.word}_m" for verdict in Verdict)

Columns = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Entered:
    """How a table is compared: the key of an entry, the columns left out, and how a row is read.

    `ends`: the column that shows when an entry has come to what it stays. `needs`: "end" where only the last part of a
    record has it, "whole" where all messages are needed.
    """

    table: Table
    key: tuple[str, ...]
    ignored: frozenset[str] = frozenset()
    condition: Any = None
    read: Callable[[Sequence[Columns]], Iterable[Columns]] = iter
    ends: str | None = None
    needs: Literal["", "end", "whole"] = ""


def _numbers(rows: Sequence[Columns]) -> Iterable[Columns]:
    """Numbers of each stream, in any spelling of earlier versions."""
    found: dict[Stream, Columns] = {}
    for row in rows:
        stream = present(Stream(row["line"], row["station"], row["quantity"]))
        numbers = StreamNumbers.read(row["spans"])
        into = found.setdefault(stream, row | {"quantity": stream.quantity, "spans": {}, "newest_ms": -(2**62)})
        into["newest_ms"] = max(into["newest_ms"], numbers.newest_ms)
        into["upto"] = max(into["upto"], row["upto"])
        for one in numbers.numberings:
            known = into["spans"].setdefault(one.start, _Known())
            known.spans = joined(known.spans + one.stored())
            known.since = max(known.since, one.floor, one.sure)
    for row in found.values():
        row["spans"] = dict(sorted(row["spans"].items()))
    return found.values()


@dataclass(slots=True, eq=False)
class _Known:
    """Numbers known to be stored, and since which; of what is older another memory may know more or less."""

    spans: list[Span] = field(default_factory=list)
    since: int = 0

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, _Known):
            return NotImplemented
        since = max(self.since, other.since)
        return self._after(since) == other._after(since)

    def __repr__(self) -> str:
        return repr(self.spans)

    def _after(self, since: int) -> list[Span]:
        return [(max(first, since), last) for first, last in self.spans if last >= since]


_OF_LINES = or_(JOURNAL.c.who != FILES, JOURNAL.c.target.like("line %"))

ENTRIES = (
    Entered(table=FINDING, key=("key",), ends="end_ms"),
    Entered(table=EVENT, key=("event",), ends="changed_ms"),
    Entered(table=ALARM_CHANGE, key=("alarm", "t_ms", "event"), ignored=frozenset({"id"})),
    Entered(table=ALARM_NOW, key=("alarm",), needs="end"),
    Entered(
        table=DRUM, key=("start_ms",), ignored=frozenset({"rows_file", *SUMS}), ends="end_ms"
    ),  # sums are compared with the rows
    Entered(table=SPLICE, key=("position", "t_ms")),
    Entered(table=STATE_SPAN, key=("t_ms",)),
    Entered(table=GAP, key=("stream", "start", "first", "t_ms")),
    Entered(table=COUNTER_FAULT, key=("t_ms",)),
    Entered(table=PROPOSAL, key=("proposal",), ends="decided_ms"),
    Entered(table=IN_FORCE, key=("recipe", "revision"), ignored=frozenset({"message_id"})),
    Entered(
        table=LINE_REVISION,
        key=("revision",),
        ignored=frozenset({"message_id", "text"}),
        condition=LINE_REVISION.c.since_m.is_not(None),
    ),
    Entered(table=JOURNAL, key=audit_trail.ONCE[1:], ignored=frozenset({"seq", "hash"}), condition=_OF_LINES),
    Entered(table=LEDGER, key=("station", "quantity"), read=_numbers, needs="whole"),
)

# Checks of the other tables.
OTHERWISE: dict[Table, str] = {
    MESSAGE: "is what everything is made from; each is decoded again, and its checksum is compared",
    METRE_BLOCK: "is compared metre by metre, together with the files of drums",
    LINE_NOW: "is compared after the message at which it was written",
    CHECKPOINT: "is compared with the engine after the message at which it was taken",
    MANIFEST: "is compared with each file: digest, size and rows",
    REVISION: "is checked by the digest of each content; only the configuration files hold it",
}
NOT_COMPARED: dict[Table, str] = {
    REJECTED: "messages that were rejected are not stored",
    SET_ASIDE: "messages that were set aside are kept nowhere else",
    HEALTH: "it is the monitor's own state, not the line's",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreComparison:
    """Two stores of one line, the second rebuilt from messages of the first, and the parts that are compared.

    Entries since and until a time (UTC ms), of drums from `first_filling` on; rows from metre to metre; `is_whole`
    where that is all. `files`: those that are damaged, by path, with the reason.
    """

    stored: Store
    made: Store
    line: str
    since_ms: int
    until_ms: int = END_MS
    since_m: float = 0.0
    until_m: float = np.inf
    first_filling: int | None = None
    is_whole: bool = True
    files: Mapping[str, str] = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class Compared:
    """Metres and entries that were compared, the digest of each finished filling, what differs, what is unreadable."""

    rows: int = 0
    entries: int = 0
    digests: list[tuple[str, str]] = field(default_factory=list)
    differences: list[Difference] = field(default_factory=list)
    unreadable: list[str] = field(default_factory=list)


def compare(asked: StoreComparison, into: Compared | None = None) -> Compared:
    """All tables and files that follow from messages; an unreadable one does not hide the others."""
    found = Compared() if into is None else into
    readers = StoreReader(asked.stored), StoreReader(asked.made)
    try:
        for entered in ENTRIES:
            with _readable(f"table {entered.table.name}", found):
                _compare_entries(readers, entered, asked, found)
        drums: list[DrumRow] = []
        with _readable("table drum", found):
            drums = _finished(readers[0], asked)
        with _readable("rows in the database", found):
            for where, start_m, end_m in _spans(readers, asked, drums, found):
                with _readable(f"{where}, metres {start_m:.0f} to {end_m:.0f}", found):
                    stored, made = (_rows(reader, asked.line, start_m, end_m) for reader in readers)
                    found.differences += of_rows(where, stored, made)
                    found.rows += len(stored["line_metre"])
        for drum in drums:
            with _readable(f"filling {drum.filling}, drum {drum.drum}", found):
                _compare_drum(readers, drum, found)
    finally:
        for reader in readers:
            reader.close()
    return found


@contextmanager
def _readable(what: str, found: Compared) -> Iterator[None]:
    try:
        yield
    except (SQLAlchemyError, pa.ArrowException, OSError, ValueError, TypeError, msgspec.MsgspecError) as error:
        found.unreadable.append(f"{what}: cannot be read ({why(error)})")


def adopt(asked: StoreComparison, stored: Engine, made: Engine) -> None:
    """Give the store that was made again the findings and alarms that are not compared: rows are read with them."""
    if asked.is_whole:
        return
    for entered in (e for e in ENTRIES if e.table in (FINDING, EVENT, ALARM_CHANGE)):
        table, compared = entered.table, _settled(stored, entered, asked)[0]
        with stored.connect() as connection:
            rows = [row._asdict() for row in connection.execute(select(table).where(table.c.line == asked.line))]
        others = [row for row in rows if tuple(row[n] for n in entered.key) not in compared]
        others = [{name: value for name, value in row.items() if name != "id"} for row in others]
        with made.begin() as connection:
            upsert(connection, table, others, keep_old=table is ALARM_CHANGE)


def _compare_entries(
    readers: tuple[StoreReader, StoreReader], entered: Entered, asked: StoreComparison, found: Compared
) -> None:
    if (entered.needs == "whole" and not asked.is_whole) or (entered.needs == "end" and asked.until_ms < END_MS):
        return
    old, waiting = _settled(readers[0].engine, entered, asked)
    new, _ = _settled(readers[1].engine, entered, asked)
    new = {key: row for key, row in new.items() if key not in waiting}
    if entered.table is EVENT:
        since_ms = _events_since_ms(readers[0], asked.line)
        new = {key: row for key, row in new.items() if key in old or row["start_ms"] >= since_ms}
    found.entries += len(old)
    found.differences += of_entries(entered.table.name, old, new)


def _settled(engine: Engine, entered: Entered, asked: StoreComparison) -> tuple[Entries, set[Key]]:
    """A table's entries of a line by key, and the keys of those that changed after what is compared."""
    entries = _entries(engine, entered, asked)
    if entered.ends is None or asked.until_ms == END_MS:
        return entries, set()
    ends = {key: row[entered.ends] for key, row in entries.items()}
    waiting = {key for key, end_ms in ends.items() if end_ms is not None and end_ms >= asked.until_ms}
    return {key: row for key, row in entries.items() if key not in waiting}, waiting


def _entries(engine: Engine, entered: Entered, asked: StoreComparison) -> Entries:
    """A table's entries of a line since the first message, by key."""
    table = entered.table
    names = [c.name for c in table.columns if c.name not in entered.ignored]
    wanted = select(*(table.c[n] for n in names)).where(table.c.line == asked.line)
    since = next((name for name in ("t_ms", "start_ms", "since_ms") if name in table.c), None)
    if table is DRUM and asked.first_filling is not None:
        wanted = wanted.where(DRUM.c.filling >= asked.first_filling)
    elif since is not None:
        wanted = wanted.where(table.c[since] >= asked.since_ms)
    if since is not None and asked.until_ms < END_MS:
        wanted = wanted.where(table.c[since] < asked.until_ms)
    wanted = wanted if entered.condition is None else wanted.where(entered.condition)
    with engine.connect() as connection:
        rows = [row._asdict() for row in connection.execute(wanted)]
    return {tuple(row[n] for n in entered.key): row for row in entered.read(rows)}


def _events_since_ms(stored: StoreReader, line: str) -> int:
    """Since when a store has events: an older program kept none."""
    with stored.engine.connect() as connection:
        since_ms = first_ms(connection, line)
    return END_MS if since_ms is None else since_ms


# ---- metres and drums ----------------------------------------------------------------------------------------------


def _compare_drum(readers: tuple[StoreReader, StoreReader], drum: DrumRow, found: Compared) -> None:
    """Digest of a finished filling, and its metres by verdict where they are stored."""
    since_ms = _events_since_ms(readers[0], drum.line)
    old, new = (drum_digest(reader, drum, since_ms) for reader in readers)
    name = f"{drum.filling} {drum.drum}"
    found.digests.append((name, old))
    place = f"filling {drum.filling}, drum {drum.drum}"
    if old != new and not any(not d.is_tiny for d in found.differences):
        found.differences.append(
            Difference(where=place, column="digest", stored=old[:16], made=new[:16], is_tiny=bool(found.differences))
        )
    stored = _sums(readers[0], drum)
    if stored is None:
        return
    assert drum.end_m is not None
    first, verdict = readers[1].verdicts(drum.line, drum.start_m, drum.end_m)
    made = counts(first, verdict, drum.start_m, drum.end_m)
    found.differences += of_entries("drum", {(place,): stored}, {(place,): made})


def _sums(reader: StoreReader, drum: DrumRow) -> Mapping[str, float] | None:
    """Metres by verdict as the table of drums has them, None where they are still to be counted."""
    d = DRUM.c
    wanted = select(*(d[name] for name in SUMS)).where(d.line == drum.line, d.filling == drum.filling)
    with reader.engine.connect() as connection:
        row = connection.execute(wanted).one()._asdict()
    return None if row["conforming_m"] is None else row


def _finished(reader: StoreReader, asked: StoreComparison) -> list[DrumRow]:
    """Drums that have ended within what is compared, in order."""
    drums = [d for d in reader.drums(asked.line, 10**9) if d.end_m is not None]
    if asked.first_filling is not None:
        drums = [d for d in drums if d.filling >= asked.first_filling]
    else:
        drums = [d for d in drums if d.start_ms >= asked.since_ms]
    drums = [d for d in drums if (d.end_ms or 0) < asked.until_ms and (d.end_m or 0.0) <= asked.until_m]
    return sorted(drums, key=lambda d: d.start_m)


def drum_digest(reader: StoreReader, drum: DrumRow, since_ms: int = 0) -> str:
    """Digest of a finished drum as a store holds it, with events that began since a time."""
    line, start_m, end_m = drum.line, drum.start_m, drum.end_m if drum.end_m is not None else np.inf
    changes = reader.alarm_changes(line, drum.start_ms, drum.end_ms or END_MS, 10**9)
    alarms = [a for a in changes if a.line_metre is not None and start_m <= a.line_metre < end_m]
    rows = dict(reader.rows(line, start_m, end_m))
    verdicts, findings = reader.verdicts(line, start_m, end_m)[1], reader.findings(line, start_m, end_m)
    events = [e for e in reader.events_begun(line, start_m, end_m) if e.start_s * 1e3 >= since_ms]
    return filling_digest(rows, verdicts, findings, alarms, events)


def _spans(
    readers: tuple[StoreReader, StoreReader], asked: StoreComparison, drums: list[DrumRow], found: Compared
) -> Iterator[tuple[str, float, float]]:
    """(file or database, from metre, to metre) over all that is compared; drums whose file is damaged are left out."""
    line, at = asked.line, asked.since_m
    with readers[0].engine.connect() as connection:
        files = _files(connection, line)
    damaged = _damaged(readers[0], asked, files, found)
    for drum in list(drums):
        assert drum.end_m is not None
        if drum in damaged:
            drums.remove(drum)
        else:
            yield files.get(drum.start_m) or f"rows of drum {drum.drum}", drum.start_m, drum.end_m
        at = drum.end_m
    for reader in readers:
        first, verdict = reader.verdicts(line, at, min(asked.until_m, 1e15))
        end = min(first + len(verdict), asked.until_m)
        while at < end:
            start = max(at, float(first))
            at = min(start + TOGETHER_M, float(end))
            if not any(d.start_m < at and (d.end_m or np.inf) > start for d in damaged):
                yield "rows in the database", start, at


def _damaged(reader: StoreReader, asked: StoreComparison, files: Mapping[float, str], found: Compared) -> list[DrumRow]:
    """Drums within what is compared whose file is damaged."""
    drums = [d for d in reader.drums(asked.line, 10**9) if files.get(d.start_m, "") in asked.files]
    drums = [d for d in drums if d.start_m < asked.until_m and (d.end_m or np.inf) > asked.since_m]
    for d in drums:
        path = files[d.start_m]
        found.unreadable.append(f"rows of filling {d.filling}, drum {d.drum}: {path}: {asked.files[path]}")
    return drums


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
