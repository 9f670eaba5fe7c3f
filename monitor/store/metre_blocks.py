"""Rows and verdicts of metres that are in the database, as blocks that follow each other along the line."""

import io
from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, Connection, and_, select

from monitor.contract.record import Finding, Floats, Verdict
from monitor.store.schema import (
    METRE_BLOCK,
)

Verdicts = NDArray[np.int8]


def read_verdicts(c: Connection, line: str, start_m: float, end_m: float) -> tuple[int, Verdicts]:
    """Verdicts of blocks in the database that touch an interval, cut to whole metres that touch it."""
    b = METRE_BLOCK.c
    blocks = c.execute(select(b.first_m, b.verdicts).where(_touching(line, start_m, end_m)).order_by(b.first_m)).all()
    return _verdicts(blocks, start_m, end_m)


def _verdicts(blocks: Sequence[Any], start_m: float, end_m: float) -> tuple[int, Verdicts]:
    if not blocks:
        return int(np.floor(start_m)), np.empty(0, dtype=np.int8)
    verdict = join_in_place([(block.first_m, np.frombuffer(block.verdicts, dtype=np.int8)) for block in blocks])
    return cut_to(blocks[0].first_m, verdict, start_m, end_m)


def read_blocks(c: Connection, line: str, start_m: float, end_m: float) -> tuple[int, Verdicts, dict[str, Floats]]:
    """First metre, verdicts and columns of blocks in the database that touch an interval."""
    b = METRE_BLOCK.c
    blocks = c.execute(select(METRE_BLOCK).where(_touching(line, start_m, end_m)).order_by(b.first_m)).all()
    if not blocks:
        return int(np.floor(start_m)), np.empty(0, dtype=np.int8), {}
    tables = [pa.ipc.open_stream(io.BytesIO(block.arrow)).read_all() for block in blocks]
    names = list(dict.fromkeys(name for table in tables for name in table.column_names))
    first, verdict = _verdicts(blocks, start_m, end_m)
    columns = {}
    for name in names:
        parts = [
            (block.first_m, table[name].to_numpy() if name in table.column_names else np.full(block.rows, np.nan))
            for block, table in zip(blocks, tables, strict=True)
        ]
        columns[name] = cut_to(blocks[0].first_m, join_in_place(parts), start_m, end_m)[1]
    return first, verdict, columns


def lay_over(first: int, verdict: Verdicts, findings: Sequence[Finding]) -> Verdicts:
    """Verdicts with findings laid over: the worse one counts, and a finding covers whole metres."""
    laid = verdict.copy()
    for f in findings:
        if f.verdict > Verdict.CONFORMING:
            a = max(int(np.floor(f.start_m)) - first, 0)
            b = len(laid) if f.end_m is None else int(np.floor(f.end_m)) + 1 - first
            if b > a:
                laid[a:b] = np.maximum(laid[a:b], np.int8(f.verdict))
    return laid


def _touching(line: str, start_m: float, end_m: float) -> ColumnElement[bool]:
    b = METRE_BLOCK.c
    low = b.first_m + b.rows > start_m
    return and_(b.line == line, low, b.first_m < end_m) if np.isfinite(end_m) else and_(b.line == line, low)


def join_in_place(parts: Sequence[tuple[int, NDArray[Any]]]) -> NDArray[Any]:
    """Blocks in one, from the first metre of any; a gap between them is unverified, of two the later counts."""
    first = min(at for at, _ in parts)
    end = max(at + len(part) for at, part in parts)
    dtype = parts[0][1].dtype
    whole = np.full(end - first, Verdict.UNVERIFIED if dtype == np.int8 else np.nan, dtype=dtype)
    for at, part in parts:
        whole[at - first : at - first + len(part)] = part
    return whole


def cut_to(first: int, values: NDArray[Any], start_m: float, end_m: float) -> tuple[int, NDArray[Any]]:
    """Values of whole metres from `first` on, cut to an interval: the first metre left, and its values."""
    a = max(int(np.floor(start_m)) - first, 0)
    b = len(values) if not np.isfinite(end_m) else max(min(int(np.ceil(end_m)) - first, len(values)), 0)
    return first + a, values[a:b]
