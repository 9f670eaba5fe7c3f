"""Recordings as arrivals: CSV or Parquet, in our format or another by a mapping file, in the order of their rows."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
from numpy.typing import NDArray
from pydantic import Field

from monitor.contract.config.base import LineStateName, Positive, Settings, StreamPath
from monitor.contract.config.line import Line
from monitor.contract.config.load import ConfigurationError, FileFault, parse_model
from monitor.contract.record import Floats
from monitor.contract.topics import DRUM, RENAMED, STATE, Stream, sample_topic
from monitor.core.arrival import Arrival

BLOCK = 100
BLOCK_S = 1.0  # a gateway does not keep samples for longer than this before it sends them
STEADY_S = 0.0005  # steps that differ by less are one step

Fields = dict[str, object]
Places = NDArray[np.intp]
_Row = tuple[float, float, float, str, Fields]  # place among the rows, times of first and last sample, path, fields


class ColumnOf(Settings):
    """A column of the recording and the stream it is."""

    column: str
    stream: StreamPath
    factor: float = 1.0
    offset: float = 0.0


class Constant(Settings):
    """A stream that the recording lacks, taken to be constant: an assumed speed, for one."""

    stream: StreamPath
    value: float
    interval_s: Positive


class AssumedRun(Settings):
    """State and drum to assume for a recording without them."""

    state: LineStateName = "running"
    drum: Annotated[str, Field(min_length=1)] = "recording"
    recipe: str


class Mapping(Settings):
    """How a recording in another format is read. `time_unit` for numbers, `time_zone` for stamps without an offset."""

    time: str = "time"
    time_unit: Literal["iso", "s", "ms"] = "iso"
    time_zone: str = "UTC"
    separator: str = ","
    decimal: str = "."
    column: tuple[ColumnOf, ...] = ()
    constant: tuple[Constant, ...] = ()
    story: AssumedRun | None = None


def read_mapping(path: Path) -> Mapping:
    """Mapping from a TOML file; raises ConfigurationError with all errors."""
    faults: list[FileFault] = []
    mapping = parse_model(str(path), path.read_text(encoding="utf-8"), Mapping, faults)
    if mapping is None:
        raise ConfigurationError(faults)
    return mapping


class RecordingRows(msgspec.Struct, frozen=True):
    """Rows of a recording in their order: UTC s (n,), stream path (n,), value (n,); notifications of our own."""

    t_s: Floats
    path: list[str]
    v: Floats
    notifications: tuple[tuple[int, str, bytes], ...] = ()


def read_rows(path: Path, mapping: Mapping) -> RecordingRows:
    """A recording's rows. Raises ValueError, saying what was expected, for columns that are not there."""
    table = pq.ParquetFile(path).read() if path.suffix == ".parquet" else _read_csv(path, mapping)
    if {"station", "quantity", "t_ms", "v", "story"} <= set(table.column_names):
        return _our_own(table)
    wanted = [mapping.time, *([c.column for c in mapping.column] or ["stream", "value"])]
    missing = [name for name in wanted if name not in table.column_names]
    if missing:
        raise ValueError(f"{path}: no column {', '.join(missing)}; it has {', '.join(table.column_names)}")
    t_s = _seconds(table[mapping.time], mapping)
    if not mapping.column:
        return RecordingRows(t_s, _texts(table["stream"]), _numbers(table["value"]))
    parts = [(c.stream, _numbers(table[c.column]) * c.factor + c.offset) for c in mapping.column]
    order = np.arange(len(table)).repeat(len(parts))
    values = np.stack([v for _, v in parts], axis=1).ravel()
    return RecordingRows(t_s[order], [name for name, _ in parts] * len(table), values)


def _read_csv(path: Path, mapping: Mapping) -> pa.Table:
    numeric = [c.column for c in mapping.column] or ["value"]
    types = {name: pa.float64() for name in numeric} | {"stream": pa.string()}
    types[mapping.time] = pa.string() if mapping.time_unit == "iso" else pa.float64()
    return pa_csv.read_csv(
        path,
        parse_options=pa_csv.ParseOptions(delimiter=mapping.separator),
        convert_options=pa_csv.ConvertOptions(column_types=types, decimal_point=mapping.decimal),
    )


def _numbers(column: pa.ChunkedArray) -> Floats:
    return np.asarray(column.cast(pa.float64()).to_numpy(), dtype=np.float64)


def _texts(column: pa.ChunkedArray) -> list[str]:
    return [str(text) for text in column.to_pylist()]


def _seconds(column: pa.ChunkedArray, mapping: Mapping) -> Floats:
    if mapping.time_unit != "iso":
        return _numbers(column) * (1.0 if mapping.time_unit == "s" else 1e-3)
    zone = ZoneInfo(mapping.time_zone)
    return np.array([_stamp_s(text or "", zone) for text in column.cast(pa.string()).to_pylist()])


def _stamp_s(text: str, zone: ZoneInfo) -> float:
    """UTC s of an ISO 8601 stamp; ValueError for one without an offset at a change of clocks, where it is ambiguous."""
    stamp = datetime.fromisoformat(text.strip())
    if stamp.tzinfo is not None:
        return stamp.timestamp()
    stamp = stamp.replace(tzinfo=zone)
    if stamp.utcoffset() != stamp.replace(fold=1).utcoffset():
        raise ValueError(f"{text}: this time comes twice or never in {zone.key}; expected stamps with an offset")
    return stamp.timestamp()


def _our_own(table: pa.Table) -> RecordingRows:
    """An hour of our own: samples, and payloads of messages without samples as they were."""
    quantities = (RENAMED.get(q, q) for q in table["quantity"].to_pylist())
    names = [
        f"{station}/{quantity}" for station, quantity in zip(table["station"].to_pylist(), quantities, strict=True)
    ]
    t_ms, payloads = _numbers(table["t_ms"]), table["story"].to_pylist()
    notifications = [
        (int(t_ms[i]), names[i], bytes(payload)) for i, payload in enumerate(payloads) if payload is not None
    ]
    samples = np.array([i for i, payload in enumerate(payloads) if payload is None], dtype=np.intp)
    samples = samples[np.argsort(t_ms[samples], kind="stable")]
    return RecordingRows(
        t_ms[samples] / 1e3, [names[i] for i in samples], _numbers(table["v"])[samples], tuple(notifications)
    )


# ---- rows to arrivals ------------------------------------------------------------------------------------------


def arrivals(
    rows: RecordingRows, mapping: Mapping, works: str, line: Line, shift_s: float = 0.0, start: int = 0
) -> list[Arrival]:
    """Messages as a gateway would have sent them; each arrives with its last row.

    `shift_s` is added to every stamp; `start` names the numbering.
    """
    found: list[_Row] = []
    for path in dict.fromkeys(rows.path):
        at = np.flatnonzero(np.array(rows.path) == path)
        found += [(float(i), a, b, path, body) for i, a, b, body in _messages(rows.t_s[at], rows.v[at], at)]
    found += list(_constants(rows, mapping))
    found += list(_notifications(rows, mapping, line.take_up))
    found.sort(key=lambda one: one[0])
    numbers: dict[str, int] = {}
    newest, made = -np.inf, []
    for _, begun_s, t_s, path, body in found:
        newest = max(newest, t_s + shift_s)
        n = numbers[path] = numbers.get(path, -1) + 1
        fields = body | {"n": n, "t": round((begun_s + shift_s) * 1e3)} | ({"start": start} if start else {})
        topic = sample_topic(works, Stream(line.line, *path.split("/", 1)))
        made.append(Arrival(topic, msgspec.json.encode(fields), newest))
    return made


def _messages(t_s: Floats, v: Floats, row: Places) -> Iterator[tuple[int, float, float, Fields]]:
    """(row of the last sample, times of first and last, fields): runs of steady step as blocks, the rest one by one."""
    start = 0
    while start < len(t_s):
        end = start + 1
        if end < len(t_s) and t_s[end] > t_s[start]:
            dt = t_s[end] - t_s[start]
            steps = np.diff(t_s[start : start + min(BLOCK, 1 + int(BLOCK_S / dt))])
            off = np.flatnonzero(np.abs(steps - dt) > STEADY_S)
            end = start + 1 + (int(off[0]) if len(off) else len(steps))
        values = v[start:end]
        bad = ~np.isfinite(values)
        fields: Fields = {"v": np.where(bad, 0.0, values).tolist()}
        if end - start > 1:
            fields["dt"] = float((t_s[end - 1] - t_s[start]) / (end - start - 1) * 1e3)
        if bad.any():
            fields["q"] = ["bad" if b else "good" for b in bad]
        yield int(row[end - 1]), float(t_s[start]), float(t_s[end - 1]), fields
        start = end


def _constants(rows: RecordingRows, mapping: Mapping) -> Iterator[_Row]:
    """Assumed streams, each sample placed among the rows by its time."""
    newest = np.maximum.accumulate(rows.t_s) if len(rows.t_s) else rows.t_s
    for constant in mapping.constant:
        for t in np.arange(rows.t_s.min(), rows.t_s.max() + constant.interval_s, constant.interval_s):
            place = float(np.searchsorted(newest, t, side="left")) - 0.5
            yield place, float(t), float(t), constant.stream, {"v": constant.value}


def _notifications(rows: RecordingRows, mapping: Mapping, take_up: str) -> Iterator[_Row]:
    for t_ms, path, payload in rows.notifications:
        place = float(np.searchsorted(rows.t_s, t_ms / 1e3, side="left")) - 0.5
        body = msgspec.json.decode(payload, type=dict[str, object])
        yield place, t_ms / 1e3, t_ms / 1e3, path, {k: v for k, v in body.items() if k not in ("n", "t", "start")}
    if mapping.story is not None and len(rows.t_s):
        start = float(rows.t_s.min())
        yield -2.0, start, start, f"line/{STATE}", {"state": mapping.story.state}
        yield -1.0, start, start, f"{take_up}/{DRUM}", {"drum": mapping.story.drum, "recipe": mapping.story.recipe}
