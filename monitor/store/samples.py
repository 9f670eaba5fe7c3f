"""Samples out of stored messages: one message to arrays, many messages to one table."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from monitor.contract.messages import Samples
from monitor.contract.record import Floats, Ints
from monitor.contract.topics import MONITOR, is_notification

# What the monitor fed its own engine, kept among the messages (station `monitor`) so that a restart feeds it again.
TICK = "tick"  # the wall clock of a silent line
NOTE = "note"  # a trouble of the monitor itself

_DECODER = msgspec.json.Decoder(Samples)

SCHEMA = pa.schema(
    [
        ("station", pa.string()),
        ("quantity", pa.string()),
        ("n", pa.int64()),
        ("t_ms", pa.int64()),
        ("v", pa.float64()),  # null where the quality was bad
        ("story", pa.binary()),  # payload of a message that holds no samples
        ("id", pa.int64()),  # the order in which messages came: with it a rehearsal gets them as the monitor did
        ("received_ms", pa.int64()),
        ("start", pa.int64()),  # the numbering that n belongs to; null where a file is older: 0
        ("dt_ms", pa.float64()),  # step of the block; t_ms is rounded, so the first of a block and this are exact
    ]
)


def arrays(payloads: Iterable[bytes]) -> tuple[Ints, Floats]:
    """Times (UTC ms) and values of stored messages of samples, one after the other; NaN where the quality is bad."""
    _, t_ms, v = _joined([_DECODER.decode(payload) for payload in payloads])
    return t_ms, v


def _joined(messages: Sequence[Samples]) -> tuple[Ints, Ints, Floats]:
    """(samples of each message, times in UTC ms, values): many messages cost little more than one."""
    values = [one.v if isinstance(one.v, list) else (one.v,) for one in messages]
    sizes = np.array([len(v) for v in values], dtype=np.int64)
    steps = np.arange(sizes.sum()) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    first_ms = np.array([one.t for one in messages], dtype=np.float64)
    step_ms = np.array([one.dt or 0.0 for one in messages], dtype=np.float64)
    t_ms = np.rint(np.repeat(first_ms, sizes) + steps * np.repeat(step_ms, sizes)).astype(np.int64)
    v = np.array(list(chain.from_iterable(values)), dtype=np.float64)
    if any(one.q != "good" for one in messages):
        each = [
            one.q if isinstance(one.q, list) else [one.q] * len(of) for one, of in zip(messages, values, strict=True)
        ]
        v[np.array([q == "bad" for q in chain.from_iterable(each)], dtype=np.bool_)] = np.nan
    return sizes, t_ms, v


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A stored message: its number, its stamp, the order it came in, when (UTC ms), and its bytes."""

    n: int
    t_ms: int
    id: int
    received_ms: int
    payload: bytes


def table(station: str, quantity: str, messages: Sequence[Held]) -> pa.Table:
    """Messages of one stream become one row a sample; a message without samples is one row with its payload."""
    without_samples = is_notification(quantity) or station == MONITOR
    columns = _notifications(messages) if without_samples else _samples(messages)
    size = len(columns["n"])
    names = {"station": pa.array([station] * size, pa.string()), "quantity": pa.array([quantity] * size, pa.string())}
    return pa.table(names | columns, schema=SCHEMA)


def streams_in(path: Path) -> set[tuple[str, str]]:
    """(station, quantity) of the streams in an hour's file; none where there is no file."""
    if not path.is_file():
        return set()
    with pq.ParquetFile(path, page_checksum_verification=True) as file:
        names = file.read(["station", "quantity"]).group_by(["station", "quantity"]).aggregate([])
    return {(row["station"], row["quantity"]) for row in names.to_pylist()}


def read(path: Path, station: str, quantity: str, columns: Sequence[str] | None = None) -> pa.Table:
    """Rows of one stream in an hour's file; columns that older files do not have are null.

    Streams lie one after the other, so that only few row groups are read. (pyarrow.dataset would do all this, but it
    imports pandas, which takes as long as half of a monitor's start.)
    """
    wanted = SCHEMA if columns is None else pa.schema([SCHEMA.field(name) for name in columns])
    names = {"station": station, "quantity": quantity}
    with pq.ParquetFile(path, page_checksum_verification=True) as file:
        groups = [i for i in range(file.num_row_groups) if _may_hold(file.metadata.row_group(i), names)]
        there = [name for name in file.schema_arrow.names if name in names or name in wanted.names]
        table = file.read_row_groups(groups, columns=there)
    for name, value in names.items():
        table = table.filter(pc.equal(table[name], value))
    absent = {field.name: pa.nulls(len(table), field.type) for field in wanted if field.name not in there}
    return pa.table({n: absent[n] if n in absent else table[n] for n in wanted.names}).cast(wanted)


def _may_hold(group: pq.RowGroupMetaData, names: Mapping[str, str]) -> bool:
    """Whether what a row group states of its least and greatest values leaves room for these."""
    for i in range(group.num_columns):
        column = group.column(i)
        value, known = names.get(column.path_in_schema), column.statistics
        if value is not None and known is not None and known.has_min_max and not known.min <= value <= known.max:
            return False
    return True


def _notifications(messages: Sequence[Held]) -> dict[str, pa.Array]:
    nothing = pa.nulls(len(messages), pa.float64())
    return {
        "n": pa.array([m.n for m in messages], pa.int64()),
        "t_ms": pa.array([m.t_ms for m in messages], pa.int64()),
        "v": nothing,
        "story": pa.array([m.payload for m in messages], pa.binary()),
        "id": pa.array([m.id for m in messages], pa.int64()),
        "received_ms": pa.array([m.received_ms for m in messages], pa.int64()),
        "start": pa.nulls(len(messages), pa.int64()),
        "dt_ms": nothing,
    }


def _samples(messages: Sequence[Held]) -> dict[str, pa.Array]:
    decoded = [_DECODER.decode(m.payload) for m in messages]
    sizes, t_ms, v = _joined(decoded)
    each = {
        "n": [m.n for m in messages],
        "id": [m.id for m in messages],
        "received_ms": [m.received_ms for m in messages],
        "start": [one.start for one in decoded],
    }
    whole = {name: pa.array(np.repeat(np.array(values, dtype=np.int64), sizes)) for name, values in each.items()}
    return whole | {
        "t_ms": pa.array(t_ms),
        "v": pa.array(v, from_pandas=True),
        "story": pa.nulls(len(v), pa.binary()),
        "dt_ms": pa.array(np.repeat([one.dt or 0.0 for one in decoded], sizes)),
    }
