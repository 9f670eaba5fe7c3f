"""Reads stored messages of a line in arrival order, for re-processing."""

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from sqlalchemy import Engine, func, select, tuple_

from monitor.contract.config.configuration import Configuration
from monitor.contract.topics import MONITOR, Stream, is_notification, present, sample_topic
from monitor.core.arrival import Arrival, Block, Message, Note, Tick
from monitor.core.decode import Decoder, blot_out, steps
from monitor.store import parquet_files, samples
from monitor.store.database import open_for_reading, rising
from monitor.store.rolling import HOUR_MS, hour_files
from monitor.store.schema import MESSAGE

Came = tuple[int, Message | Tick | Note]
TOGETHER = 20_000
END_ID = 2**62


@dataclass(slots=True, kw_only=True)
class History:
    """Messages of one line, those that came after message `after_id` up to `upto_id`, of all its streams or of some.

    Memory holds an hour of it at most, whatever the span. Without an `engine` each reading opens one of its own.
    """

    configuration: Configuration
    line: str
    after_id: int = -1
    upto_id: int = END_ID
    streams: tuple[Stream, ...] = ()
    engine: Engine | None = None

    def read(self, start_ms: int, end_ms: int) -> Iterator[list[Message | Tick | Note]]:
        """Messages stamped in a span of time, in lists, in the order they came."""
        for part in self.came(start_ms, end_ms):
            yield [message for _, message in part]

    def came(self, start_ms: int, end_ms: int) -> Iterator[list[Came]]:
        """Messages stamped in a span of time with their ids, in lists, in the order they came."""
        store = self.configuration.works.store
        decoder = Decoder.of(self.configuration)
        files = hour_files(Path(store.folder), self.line, (start_ms // HOUR_MS - 1) * HOUR_MS, end_ms)
        engine = self.engine or open_for_reading(store)
        try:
            later = self._least_ids(engine, files)
            waiting: list[Came] = []
            for i, path in enumerate(files):
                waiting += self._of_file(path, decoder, start_ms, end_ms)
                waiting.sort(key=lambda came: came[0])
                ready = next((k for k, (at, _) in enumerate(waiting) if at >= later[i + 1]), len(waiting))
                yield waiting[:ready]
                waiting = waiting[ready:]
            for last_id, part in self._held(engine, decoder, start_ms, end_ms):
                in_files = {at for at, _ in waiting}  # also held, as between the writing of a file and the deletion
                waiting += [one for one in part if one[0] not in in_files]
                waiting.sort(key=lambda came: came[0])
                ready = bisect_right(waiting, last_id, key=lambda came: came[0])
                yield waiting[:ready]
                waiting = waiting[ready:]
            yield waiting
        finally:
            if self.engine is None:
                engine.dispose()

    def _least_ids(self, engine: Engine, files: list[Path]) -> list[int]:
        """For each file and then for the database: the least id in it or in what follows it."""
        with engine.connect() as c:
            held = c.execute(select(func.min(MESSAGE.c.id)).where(MESSAGE.c.line == self.line)).scalar()
        least = [2**62 if held is None else held]
        for path in reversed(files):
            least.append(min(least[-1], _least_id(path)))
        return least[::-1]

    def _is_wanted(self, message_id: int) -> bool:
        return self.after_id < message_id <= self.upto_id

    def _held(self, engine: Engine, decoder: Decoder, start_ms: int, end_ms: int) -> Iterator[tuple[int, list[Came]]]:
        """Messages of the database in lists, each with the greatest id that it reaches."""
        m = MESSAGE.c
        last = self.after_id
        while True:
            wanted = select(m.id, m.station, m.quantity, m.received_ms, m.payload).where(
                m.line == self.line, m.id > last, m.id <= self.upto_id, m.end_ms >= start_ms, m.t_ms <= end_ms
            )
            if self.streams:
                wanted = wanted.where(
                    tuple_(m.station, m.quantity).in_([(s.station, s.quantity) for s in self.streams])
                )
            with engine.connect() as c:
                rows = rising(c.execute(wanted.order_by(m.id).limit(TOGETHER)).all(), last)
            if not rows:
                return
            last = rows[-1].id
            yield (
                last,
                [
                    (r.id, message)
                    for r in rows
                    if (message := again(decoder, Stream(self.line, r.station, r.quantity), r.received_ms, r.payload))
                ],
            )

    def _of_file(self, path: Path, decoder: Decoder, start_ms: int, end_ms: int) -> list[Came]:
        try:
            least, greatest = _ids_in(path)
            if least > self.upto_id or greatest <= self.after_id:
                return []
            found = self._messages_in(path, decoder, start_ms, end_ms)
            return [(at, message) for at, message in found if self._is_wanted(at)]
        except parquet_files.DAMAGE as error:
            parquet_files.log_unreadable(path, error)
            return []

    def _messages_in(self, path: Path, decoder: Decoder, start_ms: int, end_ms: int) -> list[Came]:
        found: list[Came] = []
        for station, quantity in sorted(samples.streams_in(path)):
            stream = Stream(self.line, station, quantity)
            if self.streams and stream not in self.streams:
                continue
            table = samples.read(path, station, quantity)
            if is_notification(quantity) or station == MONITOR:
                found += _notifications(table, decoder, stream, start_ms, end_ms)
            elif stream.path in decoder.lines[self.line].streams:
                found += _blocks(table, decoder, stream, start_ms, end_ms)
        return found


def again(decoder: Decoder, stream: Stream, received_ms: int, payload: bytes) -> Message | Tick | Note | None:
    """A stored message as the engine met it; None where other configuration would refuse it today."""
    if stream.station == MONITOR:
        return Tick(received_ms / 1e3) if stream.quantity == samples.TICK else msgspec.json.decode(payload, type=Note)
    decoded = decoder.decode(Arrival(sample_topic(decoder.works, present(stream)), payload, received_ms / 1e3))
    return decoded if isinstance(decoded, Message) else None


def _least_id(path: Path) -> int:
    try:
        least, greatest = _ids_in(path)
    except parquet_files.DAMAGE as error:
        parquet_files.log_unreadable(path, error)
        return END_ID
    return least if greatest < END_ID else END_ID


def _ids_in(path: Path) -> tuple[int, int]:
    """(least, greatest) id in a file of an hour; the widest where the name does not show it."""
    with pq.ParquetFile(path) as file:
        at = file.schema_arrow.get_field_index("id")
        groups = [file.metadata.row_group(i).column(at).statistics for i in range(file.metadata.num_row_groups)]
    known = [g for g in groups if at >= 0 and g is not None and g.has_min_max]
    return min((g.min for g in known), default=-1), max((g.max for g in known), default=END_ID)


def _notifications(table: pa.Table, decoder: Decoder, stream: Stream, start_ms: int, end_ms: int) -> Iterator[Came]:
    for row in table.to_pylist():
        if start_ms <= row["t_ms"] <= end_ms:
            message = again(decoder, stream, row["received_ms"] or row["t_ms"], row["story"])
            if message is not None:
                yield row["id"] or row["t_ms"], message


def _blocks(table: pa.Table, decoder: Decoder, stream: Stream, start_ms: int, end_ms: int) -> Iterator[Came]:
    """Samples of one stream become its messages again, to the bit."""
    t_ms = table["t_ms"].to_numpy()
    ids = pc.fill_null(table["id"], pc.add(pc.multiply(table["n"], 0), table["t_ms"])).to_numpy()
    order = np.argsort(ids, kind="stable")
    n = table["n"].to_numpy()[order]
    v = table["v"].to_numpy(zero_copy_only=False).astype(np.float64)[order]
    start = pc.fill_null(table["start"], 0).to_numpy()[order]
    received = pc.fill_null(table["received_ms"], table["t_ms"]).to_numpy()[order]
    dt = pc.fill_null(table["dt_ms"], 0.0).to_numpy()[order]
    ids, t_ms = ids[order], t_ms[order]
    blot_out(v, *decoder.range_of(sample_topic(decoder.works, stream)))
    edges = np.flatnonzero(np.diff(ids)) + 1
    for a, b in zip(np.concatenate(([0], edges)), np.concatenate((edges, [len(ids)])), strict=True):
        if b > a and t_ms[b - 1] >= start_ms and t_ms[a] <= end_ms:
            t_s = int(t_ms[a]) / 1e3 + steps(int(b - a), float(dt[a]))
            block = Block(t_s, v[a:b])
            begun_s, received_s = int(t_ms[a]) / 1e3, int(received[a]) / 1e3
            message = Message(
                stream=stream, n=int(n[a]), t_s=begun_s, end_s=float(t_s[-1]), received_s=received_s, body=block,
                start=int(start[a]),
            )  # fmt: skip
            yield int(ids[a]), message
