"""Rebuilds the record of a line from its messages, as far as they are intact, and compares it with the store."""

import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
from sqlalchemy import Engine, func, select

from monitor.analysis.differences import Difference
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.works import Store
from monitor.contract.reading import DrumRow
from monitor.core.cure.plan import COLUMNS, COOLING
from monitor.shell.compare_stores import Compared, StoreComparison, adopt, compare
from monitor.shell.damage import Damage, Lost
from monitor.shell.doctor_engine import END_MS, EngineRebuild
from monitor.store import events
from monitor.store.database import open_for_reading
from monitor.store.reader import StoreReader
from monitor.store.revisions import FILES
from monitor.store.schema import ALARM_CHANGE, DRUM, IN_FORCE, LINE_REVISION, METRE_BLOCK
from monitor.store.writer import Writer, ms

VALUE_BYTES = 8
COPIES = 2  # of a row: in the database, and for a while in its log
SETTLE_MS = 600_000  # entries of the last minutes before a loss wait for what is lost: delays, ends of stretches


@dataclass(frozen=True, slots=True, kw_only=True)
class RebuiltLine:
    """A rebuilt line: the number of messages, since when (UTC ms), and the result.

    `not_compared` says of each loss, and of each table or file that cannot be read, what was compared with nothing.
    """

    messages: int
    first_ms: int | None
    rows: int
    entries: int
    digests: tuple[tuple[str, str], ...]  # (number and drum, digest) of each finished filling
    differences: tuple[Difference, ...]
    not_compared: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()  # what was taken as the record has it, and what it does not hold of its line's files

    @property
    def is_equal(self) -> bool:
        """Whether all of it was compared and is equal, but for the last digits."""
        return not self.not_compared and all(difference.is_tiny for difference in self.differences)


def rebuild(configuration: Configuration, line: str, folder: Path, damage: Damage | None = None) -> RebuiltLine:
    """Rebuild a line's record in a folder of its own, and compare, around messages and files that are damaged."""
    damage = damage or Damage()
    lost = damage.of(line)
    engine, found = open_for_reading(configuration.works.store), _Found()
    try:
        for i, (after, before) in enumerate(pairwise([None, *lost, None])):
            _make_part(engine, configuration, line, folder / str(i), (after, before), damage, found)
        holes = list(_holes(configuration.works.store, line, lost, found.parts))
        notes = (*found.assumed, *_notes(engine, line, found.first_ms), *_events_not_kept(engine, line, found.first_ms))
    finally:
        engine.dispose()
    return RebuiltLine(
        messages=found.messages, first_ms=found.first_ms, rows=found.compared.rows, entries=found.compared.entries,
        digests=tuple(found.compared.digests), differences=tuple(found.compared.differences),
        not_compared=(*holes, *found.compared.unreadable), notes=notes,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """What was compared behind one loss and before the next: entries by time (UTC ms), rows by metre."""

    since_ms: int
    until_ms: int
    since_m: float
    until_m: float


@dataclass(slots=True, kw_only=True)
class _Found:
    """Results of the parts of a record; a part is None where nothing could be rebuilt from its messages."""

    messages: int = 0
    first_ms: int | None = None
    compared: Compared = field(default_factory=Compared)
    parts: list[_Part | None] = field(default_factory=list)
    assumed: list[str] = field(default_factory=list)  # what was taken from the record as it is, in words


def _make_part(
    engine: Engine, configuration: Configuration, line: str, folder: Path, between: tuple[Lost | None, Lost | None],
    damage: Damage, found: _Found,
) -> None:  # fmt: skip
    """Rebuild the part between two losses, and compare it."""
    after, before = between
    made = Store(folder=str(folder))
    writer = Writer(made, [line])
    try:
        making = EngineRebuild.begun(engine, writer, configuration, line, after, before)
        if making is not None:
            making.run()
        if making is None or not making.is_holding:
            found.parts.append(None)
            return
        asked = _asked(making, configuration.works.store, made, damage)
        adopt(asked, engine, writer.engine)
    finally:
        writer.close()
    found.messages += making.messages
    found.first_ms = making.first_ms if found.first_ms is None else found.first_ms
    if making.held is not None:
        drum = making.held.drum
        found.assumed.append(
            f"alarms, open findings and proposals at the start of filling {drum.filling}, drum {drum.drum}, "
            f"{_utc(asked.since_ms)}, are taken from the record as they are: what they were made of is lost"
        )
    found.compared.differences += making.snapshot.differences
    compare(asked, found.compared)
    since_ms = 0 if making.held is None else asked.since_ms
    found.parts.append(_Part(since_ms=since_ms, until_ms=asked.until_ms, since_m=asked.since_m, until_m=asked.until_m))
    shutil.rmtree(folder)


def _asked(making: EngineRebuild, stored: Store, made: Store, damage: Damage) -> StoreComparison:
    """All that a part could make; before a loss, what can still change by messages that are lost is left out."""
    since_ms = making.since_ms if making.since_ms is not None else making.first_ms
    until_ms, until_m = END_MS, np.inf
    if making.is_cut:
        track = making.pipeline.track
        until_ms = ms(track.end_s) - SETTLE_MS if track.end_s > -np.inf else -1
        until_m = float(making.pipeline.rows.next_m or 0)
    return StoreComparison(
        stored=stored, made=made, line=making.line, since_ms=END_MS if since_ms is None else since_ms,
        until_ms=until_ms, since_m=float(making.since_m), until_m=until_m,
        first_filling=None if making.held is None else making.held.drum.filling,
        is_whole=making.after is None and making.before is None, files=damage.files,
    )  # fmt: skip


def _holes(store: Store, line: str, lost: Sequence[Lost], parts: Sequence[_Part | None]) -> Iterator[str]:
    """What is compared with nothing because of each loss; losses between which nothing could be made are one."""
    reader = StoreReader(store)
    try:
        drums = sorted(reader.drums(line, 10**9), key=lambda drum: drum.filling)
    finally:
        reader.close()
    reasons: list[str] = []
    last = _Part(since_ms=0, until_ms=0, since_m=0.0, until_m=0.0)
    for loss, before, after in zip(lost, parts[:-1], parts[1:], strict=True):
        last = before or last
        reasons.append(loss.why)
        if after is not None or loss is lost[-1]:
            yield f"{_place(drums, last, after)}: {'; '.join(reasons)}"
            reasons = []


def _place(drums: Sequence[DrumRow], before: _Part, after: _Part | None) -> str:
    """Times, metres and fillings between two parts, in words."""
    start_m, end_m = before.until_m, np.inf if after is None else after.since_m
    names = [
        f"filling {d.filling}, drum {d.drum}" + (f", from metre {start_m:.0f} on" if d.start_m < start_m else "")
        for d in drums
        if d.start_m <= end_m - 1 and (d.end_m is None or d.end_m > start_m)
    ]
    until = "the end" if after is None else f"{_utc(after.since_ms)}, metre {after.since_m:.0f}"
    return f"{_utc(before.until_ms)}, metre {start_m:.0f}, to {until} ({'; '.join(names) or 'no filling'})"


def _utc(t_ms: int) -> str:
    return "the beginning" if t_ms <= 0 else f"{datetime.fromtimestamp(t_ms / 1e3, UTC):%Y-%m-%d %H:%M:%S} UTC"


def _notes(engine: Engine, line: str, first_ms: int | None) -> Iterator[str]:
    """What older programs did not keep of a line's description."""
    r, d = LINE_REVISION.c, DRUM.c
    with engine.connect() as connection:
        kept = connection.execute(select(LINE_REVISION).where(r.line == line).order_by(r.revision)).all()
        first = next((row for row in kept if row.since_m is None), None)
        since_ms = END_MS if first is None else first.since_ms
        before = select(d.filling, d.drum).where(d.line == line, d.start_ms >= (first_ms or 0), d.start_ms < since_ms)
        drums = connection.execute(before.order_by(d.filling)).all()
        f = IN_FORCE.c
        by_time = (f.line == line, f.by_whom == FILES, f.message_id.is_(None))
        recipes = connection.execute(select(f.recipe, f.revision, f.t_ms).where(*by_time).order_by(f.t_ms)).all()
    if drums:
        by = "its present file" if first is None else f"revision {first.revision} of its file"
        names = f"filling {drums[0].filling}, drum {drums[0].drum}"
        names += f", to filling {drums[-1].filling}, drum {drums[-1].drum}" if len(drums) > 1 else ""
        until = "" if first is None else f" until {_utc(since_ms)}"
        yield f"how {line} was described{until} is not on record: {names} are made again by {by}"
    taken = [(line, row.revision, row.since_ms) for row in kept if row.since_m is not None and row.message_id is None]
    for name, revision, t_ms in [*taken, *recipes]:
        yield (
            f"revision {revision} of {name} was taken by an older program, which kept no message with it: it is taken "
            f"by its time, {_utc(t_ms)}; what differs within minutes of it may come of that"
        )


def _events_not_kept(engine: Engine, line: str, first_ms: int | None) -> Iterator[str]:
    """Since when there are events, where alarms were raised before: older programs kept none."""
    a = ALARM_CHANGE.c
    with engine.connect() as connection:
        since_ms = events.first_ms(connection, line)
        raised = select(func.min(a.t_ms)).where(a.line == line, a.event == "raised", a.t_ms >= (first_ms or 0))
        raised_ms = connection.execute(raised).scalar()
    if raised_ms is not None and (since_ms is None or raised_ms < since_ms):
        until = "" if since_ms is None else f" before {_utc(since_ms)}"
        yield f"events of {line}{until} are not on record: older programs kept none. They are not compared"


def room_bytes(configuration: Configuration, line: str) -> int:
    """How much disk the rows of a line take while they are made again, with what the database logs of them."""
    b, d = METRE_BLOCK.c, DRUM.c
    blocks = select(func.min(b.first_m), func.max(b.first_m + b.rows)).where(b.line == line)
    drums = select(func.min(d.start_m), func.max(d.end_m)).where(d.line == line)
    engine = open_for_reading(configuration.works.store)
    try:
        with engine.connect() as connection:
            ends = [row for wanted in (blocks, drums) for row in connection.execute(wanted) if None not in row]
    finally:
        engine.dispose()
    metres = max((row[1] for row in ends), default=0) - min((row[0] for row in ends), default=0)
    described = configuration.lines[line]
    columns = 3 * len(described.stream) + len(described.zone) + len(COLUMNS) + len(COOLING)
    return int(metres * columns * VALUE_BYTES * COPIES)
