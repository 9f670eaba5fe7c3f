"""A store as it is after years of lines, written quickly: drums, findings, alarms, states and what was put on."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from sqlalchemy import Connection, insert

from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Line
from monitor.contract.config.works import Store
from monitor.contract.record import Verdict
from monitor.store.database import open_for_writing
from monitor.store.schema import (
    ALARM_CHANGE,
    ALARM_NOW,
    DRUM,
    EVENT,
    FINDING,
    GAP,
    LINE_NOW,
    MESSAGE,
    SPLICE,
    STATE_SPAN,
)

DRUM_M = 2000.0
DRUM_S = 6480.0  # 4,866 drums of a line in a year
FINDINGS = 9  # per drum
CHANGES = 12  # of alarms per drum
HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """How much is on record: `drums` of each line up to `end_ms` (UTC), `messages` of each stream before it.

    Only the newest `files` drums of a line have their rows' files.
    """

    drums: int
    end_ms: int
    messages: int = 0
    files: int = 80


def lines_of(c: Configuration, count: int) -> Configuration:
    """The works with `count` lines: those it has, then copies of them that take the same drums."""
    names = list(c.lines)
    lines = dict(c.lines)
    for i in range(len(names), count):
        of = c.lines[names[i % len(names)]]
        name = f"{of.line}-{i // len(names) + 1}"
        lines[name] = of.model_copy(update={"line": name, "title": f"{of.title} ({i // len(names) + 1})"})
    return c.model_copy(update={"lines": lines})


def fill(store: Store, c: Configuration, past: Past) -> None:
    """Write the record of every line; what is of one drum lies at its metres and in its time."""
    engine = open_for_writing(store)
    with engine.begin() as connection:
        for number, line in enumerate(c.lines.values()):
            _line(connection, Path(store.folder), c, line, past, np.random.default_rng(number))
    engine.dispose()


def name_of(line: str, i: int) -> str:
    """Name of the i-th drum of a line."""
    return f"{line}-{i:05d}"


def _line(
    connection: Connection, folder: Path, c: Configuration, line: Line, past: Past, rng: np.random.Generator
) -> None:
    starts = [past.end_ms - round(1e3 * DRUM_S * (past.drums - i)) for i in range(past.drums)]
    recipe = next(iter(c.recipes_for(line.line)))
    _many(connection, DRUM, _drums(folder, line.line, recipe, starts, past.files))
    _many(connection, FINDING, _findings(line, starts, rng))
    changes = _changes(line, recipe, starts, rng)
    _many(connection, ALARM_CHANGE, changes)
    newest = {row["alarm"]: row for row in changes}
    _many(connection, ALARM_NOW, list(newest.values()))
    _many(connection, EVENT, _events(changes))
    _many(connection, STATE_SPAN, _states(line.line, starts))
    _many(connection, SPLICE, _splices(c, line, starts))
    _many(connection, GAP, [
        {"line": line.line, "stream": line.stream[0].path, "start": 0, "first": i * 10, "t_ms": t,
         "last": i * 10 + 1}
        for i, t in enumerate(starts)
    ])  # fmt: skip
    _many(connection, MESSAGE, _messages(line, past))
    connection.execute(insert(LINE_NOW).values(_now(line, recipe, past)))


def _many(connection: Connection, table: Any, rows: Sequence[Mapping[str, Any]]) -> None:
    if rows:
        connection.execute(insert(table), list(rows))


def _drums(folder: Path, line: str, recipe: str, starts: Sequence[int], files: int) -> list[dict[str, Any]]:
    rows = []
    for i, t in enumerate(starts):
        last = i == len(starts) - 1
        start, end = i * DRUM_M, None if last else (i + 1) * DRUM_M
        path = f"drums/{line}/{name_of(line, i)}.parquet"
        if not last and i >= len(starts) - files:
            _rows_file(folder / path, start)
        rows.append({
            "line": line, "filling": i + 1, "drum": name_of(line, i), "recipe": recipe, "revision": 1, "start_m": start,
            "end_m": end, "start_ms": t, "end_ms": None if last else t + round(1e3 * DRUM_S),
            "planned_length_m": DRUM_M,
            "conforming_m": DRUM_M - 40.0, "suspect_m": 30.0, "unverified_m": 0.0, "nonconforming_m": 10.0,
            "rows_file": None if last else path,
        })  # fmt: skip
    return rows


def _rows_file(path: Path, start_m: float) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    metre = start_m + np.arange(DRUM_M)
    columns = {"line_metre": metre, "drum_metre": metre - start_m, "verdict": np.zeros(len(metre), np.int8)}
    pq.write_table(pa.table(columns), path)


def _findings(line: Line, starts: Sequence[int], rng: np.random.Generator) -> list[dict[str, Any]]:
    events = [s.path for s in line.stream if s.kind == "events"] or [line.counter.speed]
    rows = []
    for i, t in enumerate(starts):
        for k, at in enumerate(np.sort(rng.uniform(0, DRUM_M - 200, FINDINGS))):
            event = k % 3 == 0
            start = i * DRUM_M + float(at)
            when = t + round(1e3 * DRUM_S * at / DRUM_M)
            rows.append({
                "line": line.line, "key": f"{i}/{k}", "kind": "fault" if event else "window",
                "stream": events[k % len(events)] if event else line.counter.speed,
                "check_name": "spark-fault" if event else "HI", "verdict": int(Verdict.SUSPECT),
                "start_m": start, "end_m": start + (1.0 if event else float(rng.exponential(40.0))),
                "start_ms": when, "end_ms": when + 10_000, "extreme": 1.0, "limit_value": None, "unit": "mm",
                "text": "",
            })  # fmt: skip
    return rows


def _events(changes: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """An event for each raising of an alarm; that of the newest waits for an answer."""
    raised = [row for row in changes if row["event"] == "raised"]
    return [
        {
            "line": row["line"], "event": f"{row['alarm']}@{row['t_ms']}", "kind": "other", "start_ms": row["t_ms"],
            "end_ms": row["t_ms"] + 20_000, "changed_ms": row["t_ms"] + 20_000, "start_m": row["line_metre"],
            "end_m": row["line_metre"], "touched_from_m": row["line_metre"], "touched_to_m": row["line_metre"],
            "priority": row["priority"], "asks": i == len(raised) - 1, "members": "[]", "faults": 0, "faults_m": "[]",
            "spacing_m": None, "answered_by": "Mira", "answered_ms": row["t_ms"] + 10_000,
        }
        for i, row in enumerate(raised)
    ]  # fmt: skip


def _changes(line: Line, recipe: str, starts: Sequence[int], rng: np.random.Generator) -> list[dict[str, Any]]:
    names = [f"{s.path}/{check}" for s in line.stream if s.kind == "samples" for check in ("LO", "HI")][:40]
    steps = (("raised", "normal", "unacknowledged"), ("acknowledge", "unacknowledged", "acknowledged"),
             ("returned", "acknowledged", "normal"))  # fmt: skip
    rows = []
    for i, t in enumerate(starts):
        for k in range(CHANGES // 3):
            raised = t + round(1e3 * DRUM_S * (k + float(rng.uniform(0, 0.5))) / (CHANGES / 3))
            for j, (event, before, after) in enumerate(steps):
                rows.append({
                    "line": line.line, "alarm": names[(i + k) % len(names)], "occurrence_ms": raised,
                    "t_ms": raised + 20_000 * j, "event": event, "before": before, "after": after,
                    "priority": ("low", "medium", "high")[k % 3], "value": 1.0, "limit_value": 2.0, "unit": "mm",
                    "line_metre": i * DRUM_M + 10.0 * k, "recipe": recipe, "revision": 1, "by_whom": "", "reason": "",
                    "until_ms": None,
                })  # fmt: skip
    return rows


def _states(line: str, starts: Sequence[int]) -> list[dict[str, Any]]:
    rows = []
    for i, t in enumerate(starts):
        for k, state in enumerate(("running", "stopped", "ramping")):
            share = (0.0, 0.5, 0.55)[k]
            rows.append({"line": line, "t_ms": t + round(1e3 * DRUM_S * share), "state": state, "reason": "",
                         "line_metre": i * DRUM_M + DRUM_M * min(share, 0.5)})  # fmt: skip
    return rows


def _splices(c: Configuration, line: Line, starts: Sequence[int]) -> list[dict[str, Any]]:
    """Each drum is made of the drums that the lines before it finished last."""
    before = [x.line for x in c.lines.values() if x.process == line.process - 1] or list(c.lines)
    return [
        {"line": line.line, "position": at, "t_ms": t, "drum": name_of(before[k % len(before)], max(i - 1, 0)),
         "line_metre": i * DRUM_M, "left_m": None}
        for k, at in enumerate(line.pay_off)
        for i, t in enumerate(starts)
    ]  # fmt: skip


def _messages(line: Line, past: Past) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    for s in line.stream:
        if s.kind != "samples" or s.derived:
            continue
        for i in range(past.messages):
            t = past.end_ms - 1000 * (past.messages - i)
            payload = json.dumps({"n": i, "t": t, "v": [1.0, 2.0], "dt": 500.0}).encode()
            rows.append({"line": line.line, "id": len(rows) + 1, "station": s.station, "quantity": s.quantity, "n": i,
                         "t_ms": t, "end_ms": t + 500, "received_ms": t + 700, "payload": payload})  # fmt: skip
    return rows


def _now(line: Line, recipe: str, past: Past) -> dict[str, Any]:
    newest = {s.path: past.end_ms for s in line.stream}
    start_m = (past.drums - 1) * DRUM_M
    now = {"state": "running", "speed_m_per_s": 3.0, "line_metre": past.drums * DRUM_M - 50.0,
           "drum": name_of(line.line, past.drums - 1), "filling": past.drums, "recipe": recipe, "drum_start_m": start_m,
           "planned_length_m": DRUM_M, "extra": {"newest_ms": newest, "dwell_s": {}}}  # fmt: skip
    return {"line": line.line, "t_ms": past.end_ms, "now": json.dumps(now)}
