"""A filling in one number: a digest of its rows, findings, alarms and events, the same however they were computed."""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import fields

import msgspec
import numpy as np
from numpy.typing import NDArray

from monitor.contract.reading import AlarmRow
from monitor.contract.record import Finding, Floats, LineEvent


def filling_digest(
    rows: Mapping[str, Floats], verdicts: NDArray[np.int8], findings: Iterable[Finding], alarms: Iterable[AlarmRow],
    events: Iterable[LineEvent],
) -> str:  # fmt: skip
    """SHA-256, in hexadecimal, of the record of a filling.

    `rows` are columns with one value for each whole line metre, in order, NaN where nothing is known; `verdicts` are
    theirs. The order of columns, findings, alarms and events does not matter, nor do the bits of a NaN.
    Of events counts that they began: they may go on, and be answered, when the filling has ended.
    """
    digest = hashlib.sha256()
    for name in sorted(rows):
        digest.update(_framed(name.encode(), _canonical(rows[name])))
    digest.update(_framed(b"verdicts", np.ascontiguousarray(verdicts, dtype="<i1").tobytes()))
    for kind, values in ((b"finding", findings), (b"alarm", alarms)):
        for value in sorted(_encoded(v) for v in values):
            digest.update(_framed(kind, value))
    for begun in sorted(msgspec.json.encode([e.event, e.start_m, e.start_s]) for e in events):
        digest.update(_framed(b"event", begun))
    return digest.hexdigest()


def _framed(name: bytes, value: bytes) -> bytes:
    """Each part with its length, so that no two records have the same bytes."""
    return b"".join(len(part).to_bytes(8, "little") + part for part in (name, value))


def _canonical(column: Floats) -> bytes:
    values = np.array(column, dtype="<f8")
    values[np.isnan(values)] = np.nan
    values[values == 0.0] = 0.0  # not -0.0
    return values.tobytes()


def _encoded(value: Finding | AlarmRow) -> bytes:
    return msgspec.json.encode([[f.name, getattr(value, f.name)] for f in fields(value)])
