"""The engine's state and the line's, as the store has them, against those of an engine that is fed its messages again.

The snapshot was taken after a known message. The line at this moment was written with the snapshot or later, after a
message that nobody knows, so it is looked for after each message that follows the snapshot.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

import msgspec
from sqlalchemy import Connection, select

from monitor.analysis.differences import Difference, of_entries
from monitor.contract.record import AlarmState
from monitor.core.arrival import Message, Note, Tick
from monitor.core.pipeline import Pipeline
from monitor.core.snapshot import Given, OtherConfigurationError, SnapshotError, dump, load
from monitor.store.message_history import Came
from monitor.store.schema import CHECKPOINT, LINE_NOW
from monitor.store.writer import now_row

Columns = Mapping[str, object]
COUNTED = "now/extra/late/"
OF_0_4_0 = b"\x80"  # how a snapshot of version 0.4.0 begins, which no start uses any more


@dataclass(slots=True, kw_only=True)
class StateOnRecord:
    """Snapshot and present state of one line in the store; `differences` from the engine that went the same way."""

    line: str
    message_id: int | None  # of the last message that the snapshot knows
    state: bytes
    now: Columns | None
    is_from_beginning: bool = True  # whether the engine knows all that came before, and how much of it was late
    differences: list[Difference] = field(default_factory=list)
    _is_snapshot_judged: bool = False
    _is_now_found: bool = False

    @classmethod
    def nothing(cls, line: str) -> "StateOnRecord":
        """Of a part of the record behind which neither snapshot nor present state lies."""
        return cls(line=line, message_id=None, state=b"", now=None)

    @classmethod
    def of(cls, connection: Connection, line: str) -> "StateOnRecord":
        """What the store has of a line."""
        kept = connection.execute(select(CHECKPOINT).where(CHECKPOINT.c.line == line)).first()
        now = connection.execute(select(LINE_NOW).where(LINE_NOW.c.line == line)).first()
        found = cls(
            line=line, message_id=kept.message_id if kept else None, state=kept.state if kept else b"", now=None
        )
        try:
            found.now = None if now is None else _columns(now._asdict())
        except msgspec.DecodeError as error:
            found.differences.append(
                Difference(where=f"table line_now, {line}", column="now", stored=str(error), made="one")
            )
        return found

    def parts(self, came: Sequence[Came], pipeline: Pipeline) -> Iterator[list[Message | Tick | Note]]:
        """Messages up to that of the snapshot together, those that follow one by one; each is fed before the next."""
        for is_later, part in groupby(came, lambda one: self.message_id is not None and one[0] > self.message_id):
            if not is_later:
                yield [message for _, message in part]
                continue
            self._judge(pipeline)
            for _, message in part:
                yield [message]
                self._look_for_now(pipeline)

    def end(self, pipeline: Pipeline) -> None:
        """All messages have been fed."""
        self._judge(pipeline)
        self._look_for_now(pipeline)
        if self.now is not None and not self._is_now_found:
            self.differences += self._of("line_now", self.now, _columns(now_row(pipeline.now())))

    def _judge(self, pipeline: Pipeline) -> None:
        if self._is_snapshot_judged or not self.state or self.state.startswith(OF_0_4_0):
            return
        self._is_snapshot_judged = True
        self._look_for_now(pipeline)
        given = Given(line=pipeline.line, recipes=pipeline.revisions.earlier, fillings=pipeline.drums.fillings)
        try:
            loaded = load(self.state, given)
        except OtherConfigurationError:
            return  # files were edited since: the next start takes them, and needs no snapshot
        except SnapshotError as error:
            self.differences.append(
                Difference(where=f"table checkpoint, {self.line}", column="state", stored=str(error), made="one")
            )
            return
        if dump(loaded) != dump(pipeline):
            self.differences += self._of("checkpoint", _present(loaded), _present(pipeline))

    def _look_for_now(self, pipeline: Pipeline) -> None:
        if self.now is None or self._is_now_found:
            return
        now = _columns(now_row(pipeline.now()))
        if now["t_ms"] == self.now["t_ms"]:
            self._is_now_found = all(d.is_tiny for d in self._of("line_now", self.now, now))

    def _of(self, table: str, stored: Columns, made: Columns) -> list[Difference]:
        names = [n for n in stored if self.is_from_beginning or not (n.startswith(COUNTED) or made.get(n) is None)]
        old, new = {n: stored[n] for n in names}, {n: made.get(n) for n in names}
        return of_entries(table, {(self.line,): old}, {(self.line,): new})


def _columns(row: Mapping[str, Any]) -> dict[str, object]:
    """The line at a moment, each number by a name of its own."""
    return {"t_ms": row["t_ms"], **dict(_leaves(msgspec.json.decode(row["now"]), "now"))}


def _leaves(value: object, name: str) -> Iterator[tuple[str, object]]:
    if isinstance(value, dict) and value:
        for key in value:
            yield from _leaves(value[key], f"{name}/{key}")
    elif isinstance(value, list) and value:
        for i, item in enumerate(value):
            yield from _leaves(item, f"{name}/{i}")
    else:
        yield name, value


def _present(pipeline: Pipeline) -> dict[str, object]:
    """What a start would show of an engine."""
    alarms = {n: a.state.value for n, a in sorted(pipeline.book.alarms.items()) if a.state is not AlarmState.NORMAL}
    recipe = pipeline.recipe and f"{pipeline.recipe.recipe} {pipeline.recipe.revision}"
    events = sorted((e.key, e.asks) for e in pipeline.event_book.events if e.asks or e.active)
    row = pipeline.rows.next_m
    return {
        **_columns(now_row(pipeline.now())),
        "next_row": row,
        "recipe": recipe,
        "alarms": repr(alarms),
        "events": repr(events),
    }
