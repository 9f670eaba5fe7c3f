"""Damage of a store, and the messages of each line that cannot be used because of it."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any

from sqlalchemy import Engine, func, select
from sqlalchemy.exc import SQLAlchemyError

from monitor.contract.config.configuration import Configuration
from monitor.contract.config.content import digest_of
from monitor.store import audit_trail, manifest
from monitor.store.checksum import is_as_stored
from monitor.store.database import faults_of_empty, faults_of_sqlite, open_for_reading, rising
from monitor.store.message_history import END_ID
from monitor.store.parquet_files import ASIDE, damage, why
from monitor.store.revisions import lines_on_record, recipes_on_record
from monitor.store.rolling import HOUR_MS
from monitor.store.schema import DRUM, JOURNAL, LINE_REVISION, MESSAGE, METRE_BLOCK
from monitor.store.upgrade import faults_of_tables

TOGETHER = 1000  # messages in memory
END_MS = 2**53


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """Messages of a line that cannot be used: some of the database by their ids, or those stamped in a file's hour."""

    why: str
    first_id: int = END_ID
    last_id: int = -1
    start_ms: int = END_MS
    end_ms: int = -1

    def follows(self, message_id: int, t_ms: float) -> bool:
        """Whether the loss comes after a message."""
        return message_id < self.first_id and t_ms < self.start_ms

    def precedes(self, message_id: int, t_ms: float) -> bool:
        """Whether the loss comes before a message."""
        return message_id > self.last_id and t_ms >= self.end_ms


@dataclass(slots=True)
class Damage:
    """Faults in a sentence each; files that are not as written, by path, with the reason; losses of each line.

    `is_comparable` is False where there is nothing that could be compared.
    """

    faults: list[str] = field(default_factory=list)
    files: dict[str, str] = field(default_factory=dict)
    lost: dict[str, list[Lost]] = field(default_factory=dict)
    is_comparable: bool = True

    def of(self, line: str) -> list[Lost]:
        """Losses of a line: hours that lie in files, then messages of the database."""
        return sorted(self.lost.get(line, []), key=lambda one: (one.first_id, one.start_ms))


def examine(configuration: Configuration) -> Damage:
    """Look at the database, the files, the journal, each message and each revision. One fault hides no other."""
    store, found = configuration.works.store, Damage()
    folder = Path(store.folder)
    if not store.database_url:
        found.faults += faults_of_sqlite(folder, thorough=True)
    engine = open_for_reading(store)
    try:
        with engine.connect() as connection:
            lost = list(faults_of_empty(connection, folder))
        if lost:
            return Damage(faults=[*found.faults, *lost], is_comparable=False)
        for check in (_files, _tables, _journal, _messages, _blocks, _revisions):
            try:
                check(engine, folder, found)
            except SQLAlchemyError as error:
                found.faults.append(f"database: {why(error)}")
    except SQLAlchemyError as error:
        found.faults.append(f"database: {why(error)}")
        found.is_comparable = False
    finally:
        engine.dispose()
    return found


# ---- files -----------------------------------------------------------------------------------------------------


def _files(engine: Engine, folder: Path, found: Damage) -> None:
    """Files of hours and drums that are not as they were written, cannot be read, were set aside or are missing."""
    for path in sorted([*(folder / "lines").rglob("*.parquet"), *(folder / "drums").rglob("*.parquet")]):
        if reason := _damage(path):
            found.files[path.relative_to(folder).as_posix()] = reason
    try:
        found.files |= dict(manifest.faults(engine, folder))
        with engine.connect() as connection:
            for row in connection.execute(select(DRUM.c.line, DRUM.c.rows_file).where(DRUM.c.rows_file.is_not(None))):
                if row.rows_file not in found.files and not (folder / row.rows_file).is_file():
                    found.files[row.rows_file] = f"missing, though the database names it for a drum of {row.line}"
    finally:
        for path in folder.rglob(f"*.parquet{ASIDE}*"):
            name = path.relative_to(folder).as_posix()
            found.files[name] = "set aside as damaged; restore it from a backup, or remove it"
        for name, reason in sorted(found.files.items()):
            found.faults.append(f"{name}: {reason}")
            _lose_hour(name, reason, found)


def _damage(path: Path) -> str:
    try:
        return damage(path)
    except OSError as error:
        return why(error)


def _lose_hour(path: str, reason: str, found: Damage) -> None:
    """The messages of an hour whose file `lines/LINE/DAY/HOUR.parquet` is damaged, set aside or missing."""
    parts = PurePosixPath(path).parts
    if len(parts) != 4 or parts[0] != "lines":
        return
    try:
        hour = datetime.strptime(f"{parts[2]}T{parts[3][:2]}", "%Y-%m-%dT%H").replace(tzinfo=UTC)
    except ValueError:
        return
    start_ms = round(hour.timestamp() * 1e3)
    lost = found.lost.setdefault(parts[1], [])
    if start_ms not in {one.start_ms for one in lost}:
        lost.append(Lost(why=f"{path}: {reason}", start_ms=start_ms, end_ms=start_ms + HOUR_MS))


# ---- the database ----------------------------------------------------------------------------------------------


def _tables(engine: Engine, _: Path, found: Damage) -> None:
    with engine.connect() as connection:
        found.faults += [f"tables: {fault}" for fault in faults_of_tables(connection)]


def _journal(engine: Engine, _: Path, found: Damage) -> None:
    with engine.connect() as connection:
        rows = connection.execute(select(JOURNAL).order_by(JOURNAL.c.line, JOURNAL.c.seq)).all()
    for verdict in audit_trail.verify(rows):
        if verdict.wrong:
            found.faults.append(f"journal of {verdict.line or 'the works'}: {verdict.wrong}")


def _messages(engine: Engine, _: Path, found: Damage) -> None:
    """Messages in the database that are not as they were stored, or cannot be read."""
    with engine.connect() as connection:
        lines = connection.execute(select(MESSAGE.c.line).distinct()).scalars().all()
    for line in lines:
        for one in _lost_of(engine, line):
            found.faults.append(one.why)
            found.lost.setdefault(line, []).append(one)


def _lost_of(engine: Engine, line: str) -> Iterator[Lost]:
    last_id, together = -1, TOGETHER
    while True:
        try:
            rows = _read(engine, line, last_id, together)
        except SQLAlchemyError as error:
            if together > 1:
                together //= 8
                continue
            following = _next_readable(engine, line, last_id)
            place = f"after {last_id}" if following is None else f"{last_id + 1} to {following - 1}"
            reason = f"messages {place} of {line}: cannot be read ({why(error)})"
            yield Lost(why=reason, first_id=last_id + 1, last_id=END_ID if following is None else following - 1)
            if following is None:
                return
            last_id = following - 1
            continue
        for row in rows:
            if not _is_as_stored(row):
                reason = f"message {row.id} of {row.line}/{row.station}/{row.quantity}: not what was stored"
                yield Lost(why=reason, first_id=row.id, last_id=row.id)
        if not rows:
            return
        last_id, together = rows[-1].id, min(TOGETHER, 2 * max(together, 1))


def _read(engine: Engine, line: str, after_id: int, count: int) -> list[Any]:
    m = MESSAGE.c
    wanted = select(MESSAGE).where(m.line == line, m.id > after_id).order_by(m.id).limit(max(count, 1))
    with engine.connect() as connection:
        rows = list(connection.execute(wanted))
    return list(rising(rows, after_id))


def _next_readable(engine: Engine, line: str, after_id: int) -> int | None:
    """Id of the first message behind those that cannot be read, found by halving; None where none follows."""

    def at(skip: int) -> int | None:
        try:
            rows = _read(engine, line, after_id + skip, 1)
        except SQLAlchemyError:
            return None
        return rows[0].id if rows else END_ID

    high = 1
    while (found := at(high)) is None and high < END_ID:
        high *= 2
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        nearer = at(middle)
        low, high, found = (middle, high, found) if nearer is None else (low, middle, nearer)
    return None if found in (None, END_ID) else found


def _is_as_stored(row: Any) -> bool:
    try:
        return is_as_stored(row)
    except (TypeError, ValueError, AttributeError):  # a value of another kind than its column's
        return False


def _blocks(engine: Engine, _: Path, found: Damage) -> None:
    """Blocks whose number of rows is not that of their verdicts; their values are compared with the messages."""
    b = METRE_BLOCK.c
    verdicts = func.length(b.verdicts)
    with engine.connect() as connection:
        wrong = connection.execute(select(b.line, b.first_m, b.rows, verdicts).where(b.rows != verdicts)).all()
    for line, first_m, rows, count in wrong:
        found.faults.append(f"rows of {line} from metre {first_m}: expected {rows} by their block, got {count}")


def _revisions(engine: Engine, _: Path, found: Damage) -> None:
    """Revisions of recipes and lines whose content is not what their digest says."""
    with engine.connect() as connection:
        lines = connection.execute(select(LINE_REVISION.c.line).distinct()).scalars().all()
        kept = [*recipes_on_record(connection), *(k for line in lines for k in lines_on_record(connection, line))]
    for one in kept:
        if one.content is None:
            found.faults.append(f"revision {one.revision} of {one.name}: its content cannot be read by this program")
        elif digest_of(one.content) != one.digest:
            found.faults.append(
                f"revision {one.revision} of {one.name}: its content is not what its digest was made of"
            )
