"""Full hours and finished drums move into Parquet. A file is whole before what it replaces is deleted."""

import logging
from collections.abc import Callable, Collection, Generator, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar, cast

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from sqlalchemy import Connection, Engine, and_, bindparam, delete, select, update

from monitor.analysis.lengths import metres_by_verdict
from monitor.contract.record import Verdict
from monitor.store import manifest, samples
from monitor.store.checksum import is_as_stored
from monitor.store.findings import findings_on_metres
from monitor.store.metre_blocks import Verdicts, lay_over, read_blocks
from monitor.store.parquet_files import damage, name_aside, read, set_aside, why, write_each
from monitor.store.schema import CHECKPOINT, DRUM, MESSAGE, METRE_BLOCK

HOUR_MS = 3_600_000
Report = Callable[[str, str], None]  # what could not be moved into a file, and why

# Asked every few seconds, whether there is something to move or not: built once, which costs as much as to execute.
_BEGINNING_MS = -(2**62)
_KNOWN = select(CHECKPOINT.c.line, CHECKPOINT.c.message_id)
_STAMPS = select(MESSAGE.c.t_ms).where(MESSAGE.c.line == bindparam("line")).limit(1)
_NEWEST = _STAMPS.order_by(MESSAGE.c.t_ms.desc())
_OLDEST = _STAMPS.where(MESSAGE.c.t_ms < bindparam("end"), MESSAGE.c.t_ms >= bindparam("since")).order_by(
    MESSAGE.c.t_ms
)
_ENDED = select(DRUM).where(DRUM.c.end_m.is_not(None), DRUM.c.rows_file.is_(None)).order_by(DRUM.c.start_m)
_TO_COUNT = select(DRUM).where(DRUM.c.rows_file.is_not(None), DRUM.c.conforming_m.is_(None))

T = TypeVar("T")

LOG = logging.getLogger("monitor")


class MissingFileError(Exception):
    """A file that the manifest has is not there: what would be added to it waits in the database."""


def log_not_moved(what: str, reason: str) -> None:
    """Report by the log."""
    LOG.error("%s cannot be moved into a file (%s); the database keeps what was to move there", what, reason)


@contextmanager
def _by_itself(what: str, report: Report) -> Iterator[None]:
    """Whatever goes wrong with one hour or drum is reported and leaves the others alone."""
    try:
        yield
    except Exception as error:  # noqa: BLE001 - a name, a damaged payload, a full disk: one of them must not stop all
        report(what, why(error))


def hour_file(folder: Path, line: str, hour_ms: int) -> Path:
    """Where the samples of a line's hour (UTC) lie."""
    at = datetime.fromtimestamp(hour_ms / 1e3, UTC)
    return folder / "lines" / line / f"{at:%Y-%m-%d}" / f"{at:%H}.parquet"


def hour_files(folder: Path, line: str, start_ms: int, end_ms: int) -> list[Path]:
    """Files of a line, in order, of the hours that began in a span of time."""
    first, last = (_day_name(t_ms) for t_ms in (start_ms, end_ms))
    days = sorted(day for day in (folder / "lines" / line).glob("*") if first <= day.name <= last)
    begun_ms = {path: _hour_ms(path) for day in days for path in sorted(day.glob("*.parquet"))}
    return [path for path, at_ms in begun_ms.items() if at_ms is not None and start_ms <= at_ms <= end_ms]


def _hour_ms(path: Path) -> float | None:
    """When the hour of a file began; None for a file that has another name, which is not ours."""
    try:
        at = datetime.strptime(f"{path.parent.name}T{path.stem}", "%Y-%m-%dT%H").replace(tzinfo=UTC)
    except ValueError:
        return None
    return at.timestamp() * 1e3


def _day_name(t_ms: int) -> str:
    """The day's folder; times beyond the calendar are its ends."""
    return f"{datetime.fromtimestamp(min(max(t_ms / 1e3, 0.0), 253_402_300_000.0), UTC):%Y-%m-%d}"


def drum_file(folder: Path, line: str, filling: int) -> Path:
    """Where the rows of a finished filling lie: by its number, since a drum's name may come back."""
    return folder / "drums" / line / f"{filling:06d}.parquet"


def _name(folder: Path, path: Path) -> str:
    return path.relative_to(folder).as_posix()


def _write(
    engine: Engine, folder: Path, line: str, path: Path, schema: pa.Schema, tables: Iterable[pa.Table]
) -> Generator[None, None, manifest.FileEntry]:
    """Write a file, a table a step, announced in the manifest.

    Returns the entry, which is to be settled with the deletion of what it replaces.
    """
    entries = []

    def announce(aside: Path) -> None:
        entries.append(manifest.entry_of(aside, _name(folder, path), line))
        manifest.announce(engine, entries[-1])

    yield from write_each(path, schema, tables, announce)
    return entries[-1]


def _at_once(steps: Generator[None, None, T]) -> T:
    """What a piece of work returns, done without a pause."""
    while True:
        try:
            next(steps)
        except StopIteration as end:
            return cast("T", end.value)


# ---- hours -----------------------------------------------------------------------------------------------------


def roll_hours(
    engine: Engine, folder: Path, keep_ms: int, lines: Collection[str] | None = None, report: Report = log_not_moved
) -> list[Path]:
    """Move hours that ended `keep_ms` before the newest message of their line, as far as checkpoints allow.

    An hour that cannot be moved is reported and stays where it is; the others move.
    """
    return [path for path in each_hour(engine, folder, keep_ms, lines, report) if path is not None]


def each_hour(
    engine: Engine, folder: Path, keep_ms: int, lines: Collection[str] | None = None, report: Report = log_not_moved
) -> Generator[Path | None, None, None]:
    """As `roll_hours`, a stream of an hour a step: its file after the last, else None.

    Batches may be written between two steps: messages that come meanwhile are not of the hour that is written.
    No connection is held; whoever is killed leaves half a file under a name that nothing reads.
    """
    with engine.connect() as connection:
        known = {row.line: row.message_id for row in connection.execute(_KNOWN) if lines is None or row.line in lines}
        held = {line: _hours_held(connection, line, keep_ms) for line in known}
    for line, message_id in known.items():
        for hour in held[line]:
            path = None
            with _by_itself(f"{hour_file(folder, line, hour)}", report):
                path = yield from _roll_hour(engine, folder, line, hour, message_id)
            yield path


def _hours_held(connection: Connection, line: str, keep_ms: int) -> list[int]:
    """Hours (UTC ms) that ended `keep_ms` before a line's newest message and have any, in order.

    Each is one look into the index by time, so that hours without a message cost nothing.
    """
    newest = connection.execute(_NEWEST, {"line": line}).scalar()
    end = 0 if newest is None else (newest - keep_ms) // HOUR_MS * HOUR_MS
    hours: list[int] = []
    since = _BEGINNING_MS
    while (oldest := connection.execute(_OLDEST, {"line": line, "since": since, "end": end}).scalar()) is not None:
        hours.append(oldest // HOUR_MS * HOUR_MS)
        since = hours[-1] + HOUR_MS
    return hours


def _roll_hour(
    engine: Engine, folder: Path, line: str, hour_ms: int, known_id: int
) -> Generator[None, None, Path | None]:
    """One stream after the other, so that an hour never lies in memory whole."""
    m = MESSAGE.c
    inside = and_(m.line == line, m.t_ms >= hour_ms, m.t_ms < hour_ms + HOUR_MS, m.id <= known_id)
    path = hour_file(folder, line, hour_ms)
    with engine.connect() as connection:
        held = connection.execute(select(m.station, m.quantity).where(inside).distinct()).all()
        if not held:
            return None
        _set_aside_if_damaged(engine, connection, folder, line, path)
    streams = sorted({(r.station, r.quantity) for r in held} | samples.streams_in(path))
    yield
    tables = (_hour_of(engine, inside, hour_ms, path, *stream) for stream in streams)
    entry = yield from _write(engine, folder, line, path, samples.SCHEMA, tables)
    with engine.begin() as connection:
        manifest.settle(connection, entry)
        connection.execute(delete(MESSAGE).where(inside))
    return path


def _set_aside_if_damaged(engine: Engine, connection: Connection, folder: Path, line: str, path: Path) -> None:
    """Give an hour's file another name where its content is damaged, and only then.

    MissingFileError where it should be there and is not; OSError where it cannot be read now: the hour is left as it
    is, for the next time.
    """
    name = _name(folder, path)
    reason = manifest.compare(connection, folder, name)
    if reason == manifest.MISSING and not manifest.was_set_aside(connection, name):
        raise MissingFileError("the file of this hour is missing; restore it from a backup")
    if path.is_file() and (reason := reason or damage(path)):
        aside = name_aside(path)
        manifest.enter_aside(engine, name, _name(folder, aside), line, reason)
        set_aside(path, aside, reason)


def _hour_of(engine: Engine, inside: Any, hour_ms: int, path: Path, station: str, quantity: str) -> pa.Table:
    """A stream's hour: what a file holds already (late messages, a stop before the deleting) and what is new."""
    m = MESSAGE.c
    wanted = select(MESSAGE).where(inside, m.station == station, m.quantity == quantity)
    wanted = wanted.where(m.end_ms >= hour_ms).order_by(m.end_ms)  # as `message_by_stream` is
    with engine.connect() as connection:
        rows = connection.execute(wanted).all()
    for row in rows:
        if not is_as_stored(row):
            raise ValueError(f"message {row.id} of {station}/{quantity} is damaged in the database")
    held = [
        samples.Held(n=row.n, t_ms=row.t_ms, id=row.id, received_ms=row.received_ms, payload=row.payload)
        for row in rows
    ]
    new = samples.table(station, quantity, held) if rows else None
    old = samples.read(path, station, quantity) if path.is_file() else None
    if new is not None and old is not None:
        new = new.filter(pc.invert(pc.is_in(new["id"], value_set=pc.unique(old["id"]))))
    parts = [part for part in (old, new) if part is not None]
    return pa.concat_tables(parts).sort_by([("t_ms", "ascending"), ("n", "ascending")])


# ---- drums -----------------------------------------------------------------------------------------------------


def roll_drums(
    engine: Engine, folder: Path, lines: Collection[str] | None = None, report: Report = log_not_moved
) -> list[Path]:
    """Write the rows of every drum that has ended and whose last metre is known; then drop blocks no drum needs.

    A drum that cannot be written is reported and stays in the database; the others are written.
    """
    return [path for path in each_drum(engine, folder, lines, report) if path is not None]


def each_drum(
    engine: Engine, folder: Path, lines: Collection[str] | None = None, report: Report = log_not_moved
) -> Iterator[Path | None]:
    """As `roll_drums`, a drum a step: its file, or None where it stays. Nothing is held between two steps."""
    with engine.connect() as connection:
        ended = [drum for drum in connection.execute(_ENDED) if lines is None or drum.line in lines]
        to_count = [drum for drum in connection.execute(_TO_COUNT) if lines is None or drum.line in lines]
        reach = {line: _reach_m(connection, line) for line in {drum.line for drum in ended}}
    yield from _recount_drums(engine, folder, to_count, report)
    for drum in ended:
        if reach[drum.line] >= drum.end_m:
            path = None
            with _by_itself(f"the rows of drum {drum.drum} of {drum.line}", report):
                path = _roll_drum(engine, folder, drum)
            yield path


def _reach_m(connection: Connection, line: str) -> int:
    """Line metre up to which the database has rows of a line; -1 without any."""
    b = METRE_BLOCK.c
    newest = select(b.first_m + b.rows).where(b.line == line).order_by(b.first_m.desc()).limit(1)
    reach: int | None = connection.execute(newest).scalar()
    return -1 if reach is None else reach


def _roll_drum(engine: Engine, folder: Path, drum: "object") -> Path:
    line, filling, start_m, end_m = (getattr(drum, k) for k in ("line", "filling", "start_m", "end_m"))
    with engine.connect() as connection:
        first, verdict, columns = read_blocks(connection, line, start_m, end_m)
        verdict = lay_over(first, verdict, findings_on_metres(connection, line, start_m, end_m))
        path = own_file(connection, folder, line, filling)
    metres = first + np.arange(len(verdict), dtype=np.float64)
    table = pa.table({"line_metre": metres, "drum_metre": metres - start_m, "verdict": verdict} | dict(columns.items()))
    entry = _at_once(_write(engine, folder, line, path, table.schema, [table]))
    values = counts(first, verdict, start_m, end_m)
    with engine.begin() as connection:
        connection.execute(
            update(DRUM)
            .where(DRUM.c.line == line, DRUM.c.filling == filling)
            .values(rows_file=_name(folder, path), **values)
        )
        manifest.settle(connection, entry)
        spent = _spent_blocks(connection, line, start_m, end_m)
        connection.execute(delete(METRE_BLOCK).where(METRE_BLOCK.c.line == line, METRE_BLOCK.c.first_m.in_(spent)))
    return path


def _recount_drums(engine: Engine, folder: Path, drums: Iterable[Any], report: Report) -> Iterator[None]:
    """Count the metres of drums again that findings came to after their rows lay in a file, a drum a step."""
    d = DRUM.c
    for drum in drums:
        with _by_itself(f"the metres of drum {drum.drum} of {drum.line}", report):
            table = read(folder / drum.rows_file, ["line_metre", "verdict"])
            first = int(table["line_metre"][0].as_py()) if len(table) else int(np.floor(drum.start_m))
            with engine.begin() as connection:
                findings = findings_on_metres(connection, drum.line, drum.start_m, drum.end_m)
                verdict = lay_over(first, table["verdict"].to_numpy(), findings)
                mine = update(DRUM).where(d.line == drum.line, d.filling == drum.filling)
                connection.execute(mine.values(counts(first, verdict, drum.start_m, drum.end_m)))
        yield


def counts(first: int, verdict: Verdicts, start_m: float, end_m: float) -> dict[str, float]:
    """Columns of a drum with its metres by verdict; what never had a row is unverified."""
    counts = metres_by_verdict(first, verdict, start_m, end_m)
    counts[Verdict.UNVERIFIED.word] += max(0.0, (end_m - start_m) - sum(counts.values()))
    return {f"{word}_m": metres for word, metres in counts.items()}


def _spent_blocks(connection: Connection, line: str, start_m: float, end_m: float) -> list[int]:
    """First metres of the blocks around a drum of which every row lies in the file of each drum that has part of it."""
    b, d = METRE_BLOCK.c, DRUM.c
    touching = select(b.first_m, b.rows).where(b.line == line, b.first_m < end_m, b.first_m + b.rows > start_m)
    blocks = [(first, first + rows) for first, rows in connection.execute(touching)]
    if not blocks:
        return []
    wanted = select(d.start_m, d.end_m).where(
        d.line == line,
        d.rows_file.is_not(None),
        d.start_m < max(b for _, b in blocks),
        d.end_m > min(a for a, _ in blocks),
    )
    files = sorted((int(np.floor(start)), int(np.floor(end))) for start, end in connection.execute(wanted))
    return [first for first, end in blocks if _covered(first, end, files)]


def _covered(first: int, end: int, spans: Sequence[tuple[int, int]]) -> bool:
    """Whether every whole metre from `first` up to `end` lies in one of the spans, which are in order."""
    for start, stop in spans:
        if start > first:
            break
        first = max(first, stop)
    return first >= end


def own_file(connection: Connection, folder: Path, line: str, filling: int) -> Path:
    """The file of a filling; another name where that belongs to another drum, or a file is there that nothing names."""
    path, d = drum_file(folder, line, filling), DRUM.c
    others = select(d.filling).where(d.line == line, d.filling != filling)
    while (
        connection.execute(others.where(d.rows_file == _name(folder, path))).first()  # a drum's name in version 0.4.0
        or (path.exists() and not manifest.knows(connection, _name(folder, path)))
    ):
        path = path.with_stem(f"{path.stem}-again")
    return path
