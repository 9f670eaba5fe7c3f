"""Samples out of stored messages: one message to arrays, many messages to one table."""

from collections.abc import Iterable

import msgspec
import numpy as np
import pyarrow as pa

from monitor.contract.messages import Samples
from monitor.contract.record import Floats, Ints
from monitor.contract.topics import STORY_QUANTITIES

TICK = "tick"  # the wall clock of a silent line, kept among the messages so that a restart meets it again

_DECODER = msgspec.json.Decoder(Samples)

SCHEMA = pa.schema(
    [
        ("station", pa.string()),
        ("quantity", pa.string()),
        ("n", pa.int64()),
        ("t_ms", pa.int64()),
        ("v", pa.float64()),  # null where the quality was bad
        ("story", pa.binary()),  # payload of a state, drum or action message
    ]
)


def arrays(payload: bytes) -> tuple[Ints, Floats]:
    """Times (UTC ms) and values of one stored message of samples; NaN where the quality is bad."""
    said = _DECODER.decode(payload)
    v = np.array(said.v if isinstance(said.v, list) else [said.v], dtype=np.float64)
    t_ms = np.rint(said.t + np.arange(len(v)) * (said.dt or 0.0)).astype(np.int64)
    if said.q != "good":
        bad = [q == "bad" for q in said.q] if isinstance(said.q, list) else [said.q == "bad"] * len(v)
        v[np.array(bad)] = np.nan
    return t_ms, v


def table(rows: Iterable[tuple[str, str, int, int, bytes]]) -> pa.Table:
    """Messages as (station, quantity, n, t_ms, payload) become one row a sample, one row a message of the story."""
    parts: list[pa.RecordBatch] = []
    for station, quantity, n, t_ms, payload in rows:
        if quantity == TICK:
            continue
        if quantity in STORY_QUANTITIES:
            parts.append(_part(station, quantity, n, np.array([t_ms]), None, payload))
        else:
            parts.append(_part(station, quantity, n, *arrays(payload), None))
    return pa.Table.from_batches(parts, SCHEMA)


def _part(station: str, quantity: str, n: int, t_ms: Ints, v: Floats | None, story: bytes | None) -> pa.RecordBatch:
    size = len(t_ms)
    values = pa.nulls(size, pa.float64()) if v is None else pa.array(v, from_pandas=True)
    return pa.RecordBatch.from_arrays(
        [
            pa.array([station] * size, pa.string()),
            pa.array([quantity] * size, pa.string()),
            pa.array([n] * size, pa.int64()),
            pa.array(t_ms, pa.int64()),
            values,
            pa.array([story] * size, pa.binary()),
        ],
        schema=SCHEMA,
    )
