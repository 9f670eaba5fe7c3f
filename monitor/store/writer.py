"""The single writer: messages, the resulting record, and the ledger, in one transaction."""

import hashlib
import io
import logging
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from math import floor
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import pyarrow as pa
from sqlalchemy import Connection, Select, Table, delete, func, insert, select, true, update
from sqlalchemy.exc import DataError, IntegrityError, SQLAlchemyError

from monitor.contract import bounds
from monitor.contract.config.content import digest_of
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.config.works import Store
from monitor.contract.messages import Health
from monitor.contract.record import (
    WITHDRAWN,
    AlarmChange,
    AlarmOccurrence,
    CounterFault,
    DrumSpan,
    Finding,
    Gap,
    LineEvent,
    LineNow,
    MetreRows,
    Output,
    Proposal,
    Rejected,
    Revision,
    Splice,
    StateSpan,
    Verdict,
)
from monitor.contract.topics import Stream
from monitor.core.arrival import Message
from monitor.core.decode import printable
from monitor.store import audit_trail
from monitor.store.checksum import checksum
from monitor.store.database import FILE, not_examined, open_for_writing, rising, upsert
from monitor.store.events import event_row
from monitor.store.lease import Lease
from monitor.store.ledger import Ledger, LedgerDelta, Reports
from monitor.store.numbering import StreamNumbers
from monitor.store.parquet_files import why
from monitor.store.revisions import FILES
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
    LEDGER,
    LINE_NOW,
    LINE_REVISION,
    MESSAGE,
    METRE_BLOCK,
    PROPOSAL,
    REJECTED,
    REVISION,
    SET_ASIDE,
    SPLICE,
    STATE_SPAN,
)
from monitor.store.seal import set_seal
from monitor.store.store_errors import NOT_RECORDED, first_line, is_of_data

SET_ASIDE_MAX = 1000  # of one line; the oldest go first
ASIDE_KNOWN_MAX = 100_000  # of all lines, in memory

LOG = logging.getLogger("monitor")

Row = dict[str, Any]
AsideKey = tuple[Stream, int, int, int]  # stream, start, n, stamp in UTC ms


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What one transaction holds. `messages` with their payloads in the order they came; `states` are checkpoints."""

    messages: Sequence[tuple[Message, bytes]] = ()
    outputs: Sequence[Output] = ()
    now: Mapping[str, LineNow] = field(default_factory=dict)
    states: Mapping[str, bytes] = field(default_factory=dict)
    health: Health | None = None
    numbers: LedgerDelta | None = None  # what it adds to the ledger
    aside: "Sequence[SetAside]" = ()  # bytes over which decoding failed; their rejection is among the outputs

    @property
    def has_own_rows(self) -> bool:
        """Whether it holds what the monitor writes of itself: no message is at fault where that is refused."""
        rejected = any(isinstance(o, Rejected) for o in self.outputs)
        return bool(self.now or self.states or self.health or self.aside or rejected)


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """An engine that goes on: its state after message `message_id`, and what its way back has added to the record.

    `described` is its line where that is another than on record, in force from metre `since_m` at the take-up on.
    """

    line: str
    message_id: int
    now: LineNow
    state: bytes | None
    outputs: Sequence[Output] = ()
    entries: Sequence[audit_trail.JournalEntry] = ()
    described: Line | None = None
    since_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """A message that could not be stored, when it was set aside (`when_s`), and how it is reported."""

    message: Message
    payload: bytes
    when_s: float
    rejected: Rejected

    @property
    def why(self) -> str:
        """The reason in words."""
        return self.rejected.why


class Writer:
    """Owns the store, or its own lines where several share a server. `lines` are those lines, all without.

    With a lease nothing is committed once it is lost: LeaseLostError.
    """

    def __init__(self, settings: Store, lines: Collection[str] | None = None, lease: Lease | None = None) -> None:
        self.settings = settings
        self.lines = lines
        self.not_recorded: Counter[tuple[str, str]] = Counter()  # by line and kind of row
        self.not_examined = "" if settings.database_url else not_examined(Path(settings.folder))
        self.engine = open_for_writing(settings, lease)
        try:
            self.ledger = self._read_ledger()
            self.last_id = self._read_last_id()
            self.aside = self._read_aside()
        except BaseException:
            self.close()
            raise

    @property
    def name(self) -> str:
        """The lines it writes, in words."""
        return ", ".join(sorted(self.lines))[:240] if self.lines else "all lines"

    def write(self, batch: Batch) -> Reports:
        """Commit a batch; returns reports of its messages, the repeated included.

        Whatever the database raises (disk full, server gone) comes out with nothing committed and nothing forgotten:
        call again with the same batch. Rows of the monitor's own making that it refuses as data are left out.
        """
        try:
            last_id = self._commit(batch)
        except Exception as error:
            if not (batch.has_own_rows and is_of_data(error)):
                raise
            last_id = self._commit(batch, sparing=True)
        self.last_id = last_id
        if batch.numbers:
            self.ledger.merge(batch.numbers)
        return batch.numbers.reports() if batch.numbers else {}

    def probe(self, batch: Batch) -> None:
        """Execute what `write` would, and roll it back. Raises whatever the database raises."""
        with self.engine.connect() as connection:
            self._execute(connection, batch)
            connection.rollback()

    def probe_each(self, batches: Sequence[Batch]) -> list[Exception | None]:
        """What the database refuses of each batch as data, one after the other; nothing stays. Raises all else."""
        found: list[Exception | None] = []
        with self.engine.connect() as connection:
            for batch in batches:
                attempt = connection.begin_nested()
                try:
                    self._execute(connection, batch)
                    found.append(None)
                except Exception as error:
                    if not is_of_data(error):
                        raise
                    found.append(error)
                finally:
                    attempt.rollback()
            connection.rollback()
        return found

    def set_aside(self, guilty: Sequence[SetAside]) -> None:
        """Keep messages that cannot be data, count them, and forget the oldest of their line, in one transaction."""
        with self.engine.begin() as connection:
            _keep_aside(connection, guilty)
            self._rejected(connection, [one.rejected for one in guilty])
        self.aside |= {key_of(one.message): one.why for one in guilty}
        while len(self.aside) > ASIDE_KNOWN_MAX:
            del self.aside[next(iter(self.aside))]

    def read_again(self) -> None:
        """Ledger and last id as the store has them: after a commit whose outcome is not known."""
        self.ledger = self._read_ledger()
        self.last_id = self._read_last_id()

    def holds(self, message: Message) -> bool:
        """Whether the table of messages has one of this number and time of arrival."""
        s, m = message.stream, MESSAGE.c
        wanted = select(m.id).where(m.line == s.line, m.station == s.station, m.quantity == s.quantity)
        wanted = wanted.where(m.n == message.n, m.received_ms == ms(message.received_s)).limit(1)
        with self.engine.connect() as connection:
            return connection.execute(wanted).first() is not None

    def write_restored(self, restored: Restored) -> None:
        """Commit the results of a restart of a line's engine, in one transaction, but for what is refused as data."""
        try:
            self._commit_restored(restored)
        except Exception as error:
            if not is_of_data(error):
                raise
            self._commit_restored(restored, sparing=True)

    def keep_revisions(self, recipes: Iterable[Recipe], now_s: float) -> None:
        """Keep the revisions of recipes' files that the record does not have, each with an entry in the audit trail."""
        rows = [_revision_of(recipe, ms(now_s)) for recipe in recipes]
        r = REVISION.c
        with self.engine.begin() as connection:
            known = {(x.recipe, x.revision): x.text for x in connection.execute(select(r.recipe, r.revision, r.text))}
            fresh = [row for row in rows if (row["recipe"], row["revision"]) not in known]
            chain = min(self.lines) if self.lines else ""  # writers that share a store do not share a chain
            upsert(connection, REVISION, fresh, keep_old=True)
            audit_trail.append(connection, [_revised(row, known, chain) for row in fresh])

    def checkpoints(self) -> dict[str, tuple[int, bytes]]:
        """(id of the last message it knows, snapshot of the engine) by line."""
        with self.engine.connect() as connection:
            rows = connection.execute(select(CHECKPOINT.c.line, CHECKPOINT.c.message_id, CHECKPOINT.c.state))
            return {row.line: (row.message_id, row.state) for row in rows}

    def messages_after(self, line: str, message_id: int, limit: int = 5000) -> list[tuple[int, Stream, int, bytes]]:
        """(id, stream, received UTC ms, payload) of messages held that came after one, in the order they came."""
        m = MESSAGE.c
        wanted = select(m.id, m.station, m.quantity, m.received_ms, m.payload)
        wanted = wanted.where(m.line == line, m.id > message_id).order_by(m.id).limit(limit)
        with self.engine.connect() as connection:
            return [
                (r.id, Stream(line, r.station, r.quantity), r.received_ms, r.payload)
                for r in rising(connection.execute(wanted).all(), message_id)
            ]

    def seal(self) -> None:
        """Leave a digest of SQLite's file, for the next start. Without one that start checks the pages instead."""
        if self.settings.database_url:
            return
        try:
            set_seal(self.engine, Path(self.settings.folder) / FILE)
        except (SQLAlchemyError, OSError) as error:
            LOG.warning("the digest of the database could not be written (%s)", why(error))

    def close(self) -> None:
        """Close the database."""
        self.engine.dispose()

    # ---- inside ------------------------------------------------------------------------------------------

    def _read_ledger(self) -> Ledger:
        with self.engine.connect() as connection:
            rows = connection.execute(self._own(select(LEDGER), LEDGER)).all()
        return Ledger({Stream(r.line, r.station, r.quantity): StreamNumbers.read(r.spans) for r in rows})

    def _read_last_id(self) -> int:
        """The highest id given out so far; messages may have moved into files, the checkpoint remembers."""
        held = self._own(select(func.max(MESSAGE.c.id)), MESSAGE).scalar_subquery()
        known = self._own(select(func.max(CHECKPOINT.c.message_id)), CHECKPOINT).scalar_subquery()
        with self.engine.connect() as connection:
            return max(last_id or 0 for last_id in connection.execute(select(held, known)).one())

    def _own(self, wanted: Select[Any], table: Table) -> Select[Any]:
        return wanted if self.lines is None else wanted.where(table.c.line.in_(sorted(self.lines)))

    def _read_aside(self) -> "dict[AsideKey, str]":
        with self.engine.connect() as connection:
            rows = connection.execute(self._own(select(SET_ASIDE), SET_ASIDE).order_by(SET_ASIDE.c.id)).all()
        return {(Stream(r.line, r.station, r.quantity), r.start, r.n, r.t_ms): r.reason for r in rows}

    def _commit(self, batch: Batch, sparing: bool = False) -> int:
        with self.engine.begin() as connection:
            return self._execute(connection, batch, sparing)

    def _commit_restored(self, restored: Restored, sparing: bool = False) -> None:
        now_ms = ms(restored.now.t_s)
        with self.engine.begin() as connection:
            for outputs in [[output] for output in restored.outputs] if sparing else [restored.outputs]:
                write = partial(self._outputs, connection, outputs)
                self._write_own(connection, restored.line, "output", write, sparing)
            for revision in (o for o in restored.outputs if isinstance(o, Revision) and o.by == FILES):
                _came_after(connection, revision, restored.message_id)
            audit_trail.append(connection, restored.entries)
            if restored.described is not None:
                row = _line_row(restored.described, now_ms, restored.since_m)
                upsert(connection, LINE_REVISION, [row | {"message_id": restored.message_id}])
            if restored.state is not None:
                at_end = Batch(now={restored.line: restored.now}, states={restored.line: restored.state})
                self._own_rows(connection, _own_rows(at_end, restored.message_id, self.name), sparing)

    def _execute(self, connection: Connection, batch: Batch, sparing: bool = False) -> int:
        """All statements of a batch; returns the id of its last message."""
        touched = dict(sorted(batch.numbers.streams.items())) if batch.numbers else {}
        last_id = self._messages(connection, batch.messages)
        upsert(connection, LEDGER, [_ledger_row(s, numbers) for s, numbers in touched.items()])
        self._outputs(connection, [o for o in batch.outputs if not isinstance(o, Rejected)])
        refused = [o for o in batch.outputs if isinstance(o, Rejected)]
        for one in [[r] for r in refused] if sparing else [refused]:
            self._write_own(connection, "", "rejected", partial(self._rejected, connection, one), sparing)
        for aside in [[a] for a in batch.aside] if sparing else filter(None, [batch.aside]):
            line = aside[0].message.stream.line
            self._write_own(connection, line, SET_ASIDE.name, partial(_keep_aside, connection, aside), sparing)
        self._own_rows(connection, _own_rows(batch, last_id, self.name), sparing)
        return last_id

    def _own_rows(self, connection: Connection, rows: "Sequence[_OwnRow]", sparing: bool) -> None:
        """Rows that the monitor writes of itself: those of a table at once, or each by itself."""
        parts = [[row] for row in rows] if sparing else [[r for r in rows if r.table is t] for t in _OWN_TABLES]
        for part in filter(None, parts):
            write = partial(_write_made, connection, part)
            self._write_own(connection, part[0].line, part[0].table.name, write, sparing)

    def _write_own(
        self, connection: Connection, line: str, what: str, write: Callable[[], object], sparing: bool
    ) -> None:
        """Write what no message is at fault for; `sparing`: where it is refused as data, leave it out and count it."""
        if not sparing:
            write()
            return
        try:
            with connection.begin_nested():
                write()
        except Exception as error:
            if not is_of_data(error):
                raise
            with suppress(DataError, IntegrityError), connection.begin_nested():
                self._rejected(connection, [self._left_out(line, what, first_line(error))])

    def leave_out(self, line: str, what: str, reason: str) -> None:
        """Count what an engine made of messages and the database refuses."""
        with self.engine.begin() as connection:
            self._rejected(connection, [self._left_out(line, what, reason)])

    def not_made(self, line: str, what: str, error: BaseException) -> Rejected:
        """What is reported of a row that an engine failed to make; logged once for each line and kind of row."""
        return self._not_recorded(line, what, f"the engine failed to make {what}: {first_line(error)}", error)

    def _left_out(self, line: str, what: str, reason: str) -> Rejected:
        """What is reported of a row that the database refuses; logged once for each line and kind of row."""
        return self._not_recorded(line, what, f"the database refuses what the monitor writes as {what}: {reason}")

    def _not_recorded(self, line: str, what: str, reason: str, error: BaseException | None = None) -> Rejected:
        why = printable(reason, bounds.TEXT)
        if not self.not_recorded[line, what]:
            LOG.error("%s: %s", line or self.name, why, exc_info=error)
        self.not_recorded[line, what] += 1
        return Rejected(kind=NOT_RECORDED, topic=f"*/{line}/{what}", why=why, received_s=time.time(), line=line)

    def _messages(self, connection: Connection, messages: Sequence[tuple[Message, bytes]]) -> int:
        if not messages:
            return self.last_id
        rows = [{"id": self.last_id + 1 + i, **_message_row(m, p)} for i, (m, p) in enumerate(messages)]
        connection.execute(insert(MESSAGE), rows)
        return self.last_id + len(rows)

    def _outputs(self, connection: Connection, outputs: Sequence[Output]) -> None:
        for table, rows in _rows_of(outputs).items():
            upsert(connection, table, rows)
        for finding in (o for o in outputs if isinstance(o, Finding)):
            _uncount(connection, finding)
        changes = [_alarm_row(o) for o in outputs if isinstance(o, AlarmChange)]
        upsert(connection, ALARM_CHANGE, changes, keep_old=True)
        upsert(connection, ALARM_NOW, _newest(changes))
        _occurrences(connection, outputs)
        audit_trail.append(connection, audit_trail.entries_of(outputs))
        self._rejected(connection, outputs)

    def _rejected(self, connection: Connection, outputs: Sequence[Output]) -> None:
        refused = [o for o in outputs if isinstance(o, Rejected)]
        counts = Counter((r.line, r.kind) for r in refused)
        newest = {(r.line, r.kind): r for r in refused}
        for (line, kind), count in counts.items():
            c = REJECTED.c
            old = connection.execute(select(c.count).where(c.line == line, c.kind == kind)).scalar() or 0
            example = newest[line, kind]
            row = {"line": line, "kind": kind, "count": old + count, "newest_ms": ms(example.received_s)}
            upsert(connection, REJECTED, [row | {"topic": example.topic, "why": example.why}])


def _keep_aside(connection: Connection, guilty: Sequence[SetAside]) -> None:
    """Rows of what is set aside; the oldest of their line make room."""
    a = SET_ASIDE.c
    connection.execute(insert(SET_ASIDE), [_aside_row(one) for one in guilty])
    for line in {one.message.stream.line for one in guilty}:
        oldest = select(a.id).where(a.line == line).order_by(a.id.desc()).offset(SET_ASIDE_MAX).limit(1)
        connection.execute(delete(SET_ASIDE).where(a.line == line, a.id <= oldest.scalar_subquery()))


def _uncount(connection: Connection, finding: Finding) -> None:
    """Metres of drums whose rows lie in a file already are to be counted again: a finding has come to them since.

    It touches whole metres, and with one that two drums share both of them.
    """
    d = DRUM.c
    if finding.verdict is Verdict.CONFORMING and finding.check != WITHDRAWN:
        return
    before = true() if finding.end_m is None else d.start_m < floor(finding.end_m) + 1
    rolled = (d.line == finding.line, d.rows_file.is_not(None), before, d.end_m > floor(finding.start_m))
    connection.execute(update(DRUM).where(*rolled).values(conforming_m=None))


def _came_after(connection: Connection, revision: Revision, message_id: int) -> None:
    """A recipe of the configuration files came into force after this message."""
    f = IN_FORCE.c
    mine = (f.line == revision.line, f.recipe == revision.recipe, f.revision == revision.revision)
    connection.execute(update(IN_FORCE).where(*mine).values(message_id=message_id))


def _occurrences(connection: Connection, outputs: Sequence[Output]) -> None:
    """Alarms that are about a newer activation than their newest change knew."""
    newer: dict[tuple[str, str], AlarmOccurrence] = {}
    for o in outputs:
        if isinstance(o, AlarmOccurrence):
            newer[o.line, o.alarm] = o
        elif isinstance(o, AlarmChange):
            newer.pop((o.line, o.alarm), None)
    n = ALARM_NOW.c
    for o in newer.values():
        about = {"occurrence_ms": ms(o.occurrence_s), "value": o.value, "line_metre": o.line_metre}
        connection.execute(update(ALARM_NOW).where(n.line == o.line, n.alarm == o.alarm).values(about))


def _revision_of(recipe: Recipe, t_ms: int) -> Row:
    return {
        "recipe": recipe.recipe, "revision": recipe.revision, "first_seen_ms": t_ms,
        "text": recipe.model_dump_json(), "digest": digest_of(recipe),
    }  # fmt: skip


def _line_row(line: Line, t_ms: int, since_m: float | None) -> Row:
    return {
        "line": line.line, "revision": line.revision, "digest": digest_of(line), "text": line.model_dump_json(),
        "since_ms": t_ms, "since_m": since_m,
    }  # fmt: skip


def _revised(row: Row, known: Mapping[tuple[str, int], str], chain: str) -> audit_trail.JournalEntry:
    """A revision of a recipe's file that is new, with the digests of its text and of the newest one before."""
    newest = max((n for name, n in known if name == row["recipe"]), default=None)
    before = "" if newest is None else known[row["recipe"], newest]
    old, new = (hashlib.sha256(text.encode()).hexdigest() if text else "" for text in (before, row["text"]))
    target = f"recipe {row['recipe']} revision {row['revision']}"
    return audit_trail.JournalEntry(
        line=chain,
        t_ms=row["first_seen_ms"],
        who=FILES,
        action="take into force",
        target=target,
        reason="",
        before=old,
        after=new,
    )


def key_of(message: Message) -> AsideKey:
    """What a message that comes again is known by."""
    return message.stream, message.start, message.n, ms(message.t_s)


def ms(t_s: float) -> int:
    """UTC seconds as whole milliseconds."""
    return round(t_s * 1e3)


def _ms_or_none(t_s: float | None) -> int | None:
    return None if t_s is None else ms(t_s)


def _message_row(message: Message, payload: bytes) -> Row:
    s = message.stream
    times = ms(message.t_s), ms(message.end_s), ms(message.received_s)
    t_ms, end_ms, received_ms = times
    return {
        "line": s.line, "station": s.station, "quantity": s.quantity, "n": message.n, "t_ms": t_ms, "end_ms": end_ms,
        "received_ms": received_ms, "payload": payload, "crc": checksum(s.path, message.n, *times, payload),
    }  # fmt: skip


def _aside_row(one: SetAside) -> Row:
    s = one.message.stream
    return {
        "line": s.line, "station": s.station, "quantity": s.quantity, "start": one.message.start, "n": one.message.n,
        "t_ms": ms(one.message.t_s), "set_aside_ms": ms(one.when_s), "payload": one.payload, "reason": one.why,
    }  # fmt: skip


def _ledger_row(stream: Stream, numbers: StreamNumbers) -> Row:
    return {
        "line": stream.line, "station": stream.station, "quantity": stream.quantity,
        "upto": numbers.upto, "spans": numbers.text(),
    }  # fmt: skip


def _rows_of(outputs: Sequence[Output]) -> dict[Table, list[Row]]:
    """Rows by table; of several with one key the last counts."""
    rows: dict[Table, dict[tuple[object, ...], Row]] = {}
    for output in outputs:
        how = _ROW_OF.get(type(output))
        if how is not None:
            table, make = how
            row = make(output)
            key = tuple(row[c.name] for c in table.primary_key.columns)
            rows.setdefault(table, {})[key] = row
    return {table: list(by_key.values()) for table, by_key in rows.items()}


def _finding_row(f: Finding) -> Row:
    return {
        "line": f.line, "key": f.key, "kind": f.kind.value, "stream": f.stream, "check_name": f.check,
        "verdict": int(f.verdict), "start_m": f.start_m, "end_m": f.end_m, "start_ms": ms(f.start_s),
        "end_ms": _ms_or_none(f.end_s), "extreme": f.extreme, "limit_value": f.limit, "unit": f.unit, "text": f.text,
        "by_whom": f.by, "reason": f.reason,
    }  # fmt: skip


def _drum_row(d: DrumSpan) -> Row:
    return {
        "line": d.line, "filling": d.filling, "drum": d.drum, "recipe": d.recipe, "revision": d.revision,
        "start_m": d.start_m, "end_m": d.end_m, "start_ms": ms(d.start_s), "end_ms": _ms_or_none(d.end_s),
        "planned_length_m": d.planned_length_m,
    }  # fmt: skip


def _splice_row(s: Splice) -> Row:
    return {
        "line": s.line, "position": s.position, "t_ms": ms(s.t_s), "drum": s.drum, "line_metre": s.line_metre,
        "left_m": s.left_m,
    }  # fmt: skip


def _metre_row(rows: MetreRows) -> Row:
    table = pa.table({name: pa.array(column) for name, column in rows.columns.items()})
    sink = io.BytesIO()
    with pa.ipc.new_stream(sink, table.schema) as stream:
        stream.write_table(table)
    return {
        "line": rows.line, "first_m": rows.first_m, "rows": len(rows),
        "verdicts": rows.verdict.tobytes(), "arrow": sink.getvalue(),
    }  # fmt: skip


def _state_row(s: StateSpan) -> Row:
    return {"line": s.line, "t_ms": ms(s.t_s), "state": s.state, "reason": s.reason, "line_metre": s.line_metre}


def _gap_row(g: Gap) -> Row:
    return {
        "line": g.line, "stream": g.stream, "start": g.start, "first": g.first, "t_ms": ms(g.t_s), "last": g.last,
    }  # fmt: skip


def _counter_row(f: CounterFault) -> Row:
    return {
        "line": f.line, "t_ms": ms(f.t_s), "kind": f.kind, "reading_m": f.reading_m,
        "expected_m": f.expected_m, "line_metre": f.line_metre,
    }  # fmt: skip


def _proposal_row(p: Proposal) -> Row:
    return {
        "line": p.line, "proposal": p.proposal, "recipe": p.recipe, "base": p.base, "state": p.state,
        "changes": msgspec.json.encode(dict(p.changes)).decode(), "by_whom": p.by, "reason": p.reason,
        "t_ms": ms(p.t_s), "rehearsal": p.rehearsal, "decided_by": p.decided_by, "decided_reason": p.decided_reason,
        "decided_ms": _ms_or_none(p.decided_s), "revision": p.revision,
    }  # fmt: skip


def _revision_row(r: Revision) -> Row:
    return {
        "line": r.line, "recipe": r.recipe, "revision": r.revision, "t_ms": ms(r.t_s), "line_metre": r.line_metre,
        "by_whom": r.by, "approved_by": r.approved_by, "reason": r.reason,
        "changes": msgspec.json.encode(dict(r.changes)).decode(), "text": r.text,
    }  # fmt: skip


_ROW_OF: dict[type, tuple[Table, Callable[[Any], Row]]] = {
    Proposal: (PROPOSAL, _proposal_row),
    Revision: (IN_FORCE, _revision_row),
    Finding: (FINDING, _finding_row),
    LineEvent: (EVENT, event_row),
    DrumSpan: (DRUM, _drum_row),
    Splice: (SPLICE, _splice_row),
    MetreRows: (METRE_BLOCK, _metre_row),
    StateSpan: (STATE_SPAN, _state_row),
    Gap: (GAP, _gap_row),
    CounterFault: (COUNTER_FAULT, _counter_row),
}


def _alarm_row(c: AlarmChange) -> Row:
    return {
        "line": c.line, "alarm": c.alarm, "occurrence_ms": ms(c.occurrence_s), "t_ms": ms(c.t_s), "event": c.event,
        "before": c.before.value, "after": c.after.value, "priority": c.priority.value, "value": c.value,
        "limit_value": c.limit, "unit": c.unit, "line_metre": c.line_metre, "recipe": c.recipe,
        "revision": c.revision, "by_whom": c.by, "reason": c.reason, "until_ms": _ms_or_none(c.until_s),
    }  # fmt: skip


def _newest(changes: Sequence[Row]) -> list[Row]:
    return list({(row["line"], row["alarm"]): row for row in changes}.values())


def _health_row(monitor: str, health: Health) -> Row:
    return {"monitor": monitor, "t_ms": health.t, "said": msgspec.json.encode(health).decode()}


class _OwnRow(NamedTuple):
    """A row that the monitor writes of itself, made when it is written: that may fail too."""

    line: str
    table: Table
    make: Callable[[], Row]


_OWN_TABLES = (LINE_NOW, CHECKPOINT, HEALTH)


def _own_rows(batch: Batch, last_id: int, monitor: str) -> list[_OwnRow]:
    found = [_OwnRow(line, LINE_NOW, partial(now_row, now)) for line, now in batch.now.items()]
    for line, state in batch.states.items():
        row = {"line": line, "message_id": last_id, "t_ms": ms(batch.now[line].t_s), "state": state}
        found.append(_OwnRow(line, CHECKPOINT, partial(dict, row)))
    if batch.health is not None:
        found.append(_OwnRow("", HEALTH, partial(_health_row, monitor, batch.health)))
    return found


def _write_made(connection: Connection, rows: Sequence[_OwnRow]) -> None:
    upsert(connection, rows[0].table, [row.make() for row in rows])


def now_row(now: LineNow) -> Row:
    """A line at a moment, as the table of lines keeps it."""
    drum = now.drum
    status = {
        "state": now.state,
        "speed_m_per_s": now.speed_m_per_s,
        "line_metre": now.line_metre,
        "drum": drum.drum if drum else None,
        "filling": drum.filling if drum else None,
        "recipe": drum.recipe if drum else None,
        "drum_start_m": drum.start_m if drum else None,
        "planned_length_m": drum.planned_length_m if drum else None,
        "extra": dict(now.extra),
    }
    return {"line": now.line, "t_ms": ms(now.t_s), "now": msgspec.json.encode(status).decode()}
