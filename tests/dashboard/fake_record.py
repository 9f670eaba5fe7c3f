"""A record in memory for the dashboard's tests: two lines that run by a given clock, the same for every run."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Line, StreamSettings
from monitor.contract.config.recipe import Recipe
from monitor.contract.messages import Action, LimitsStep
from monitor.contract.reading import (
    AlarmRow,
    DamagedFile,
    DrumRow,
    DrumSearch,
    HealthRow,
    NowRow,
    ProposalRow,
    RejectedRow,
    RevisionRow,
    Trend,
)
from monitor.contract.record import FillingKey, Finding, FindingKind, Floats, LineEvent, Splice, Verdict
from monitor.contract.topics import Stream
from monitor.evidence.whole_drum import WholeDrum, on_drum
from tests.core.script import finding

START_S = 1_764_035_000.0  # when both lines began to run
SPEED_M_PER_MIN = {"core-1": 230.0, "core-2": 224.0}
FIRST_L_M = {"core-1": 20_000.0, "core-2": 61_300.0}
DRUM_M = {"core-1": 4000.0, "core-2": 3600.0}
RECIPE = {"core-1": "core-2g5", "core-2": "core-1g5"}
TYPICAL = {
    "shock-oven/temperature": (540.0, 2.0),
    "oven-a/temperature": (290.0, 1.5),
    "oven-b/temperature": (305.0, 1.5),
    "cooling-trough/temperature": (25.0, 0.5),
    "hot-gauge/diameter": (3.58, 0.015),
    "cold-gauge/diameter-x": (3.58, 0.012),
    "cold-gauge/diameter-y": (3.585, 0.012),
    "spark-electrode/voltage": (6.1, 0.02),
    "head/pressure": (150.0, 3.0),
    "head/screw-speed": (45.0, 0.2),
    "dancer/position": (50.0, 4.0),
}
# (drum metre, length, kind, stream, check, verdict, extreme, limit)
KNOWN: list[tuple[float, float, str, str, str, Verdict, float, float | None]] = [
    (312.0, 1.0, "fault", "spark-electrode/spark-fault", "spark-fault", Verdict.NONCONFORMING, 1.0, None),
    (318.3, 1.0, "fault", "spark-electrode/spark-fault", "spark-fault", Verdict.NONCONFORMING, 1.0, None),
    (655.0, 38.0, "window", "cold-gauge/diameter-x", "HI", Verdict.SUSPECT, 3.69, 3.66),
    (668.0, 6.0, "window", "cold-gauge/diameter-x", "HIHI", Verdict.NONCONFORMING, 3.77, 3.74),
    (1210.0, 160.0, "window", "oven-a/temperature", "LO", Verdict.SUSPECT, 277.9, 280.0),
    (1480.0, 75.0, "missing", "spark-electrode/voltage", "missing", Verdict.UNVERIFIED, 0.0, 3.0),
    (1890.0, 24.0, "dwell", "shock-oven/dwell", "long", Verdict.SUSPECT, 3.4, 2.6),
    (2405.0, 2.5, "window", "cold-gauge/diameter-y", "LOLO", Verdict.NONCONFORMING, 3.41, 3.44),
    (2750.0, 20.0, "mark", "operator/action", "mark", Verdict.SUSPECT, 0.0, None),
]


def core_lines_of(whole: Configuration) -> Configuration:
    """The core lines of the demo works: the record in memory tells of those."""
    lines = {name: line for name, line in whole.lines.items() if line.kind == "core"}
    recipes = {name: recipe for name, recipe in whole.recipes.items() if recipe.line_kind == "core"}
    return whole.model_copy(update={"lines": lines, "recipes": recipes})


@dataclass
class FakeRecord:
    """Answers as `Record` does; `now_s` tells how far the lines have come.

    `silent` lines stopped sending at a time; `bare` ones have no drum on the take-up.
    """

    configuration: Configuration
    clock: Callable[[], float]
    silent: dict[str, float] = field(default_factory=dict)
    suspended: dict[str, str] = field(default_factory=dict)
    unmonitored: set[str] = field(default_factory=set)
    alarms: list[AlarmRow] = field(default_factory=list)
    proposed: list[ProposalRow] = field(default_factory=list)
    came: list[RevisionRow] = field(default_factory=list)
    put_on: list[Splice] = field(default_factory=list)
    events: list[LineEvent] = field(default_factory=list)
    bare: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        if not self.alarms:
            self.alarms = some_alarms(self.clock())

    def journal_hash(self, line: str) -> str | None:
        return "ab" * 32 if line == "core-1" else None

    def time_at(self, line: str, line_metre: float) -> int | None:
        if line_metre < FIRST_L_M[line]:
            return None
        return round(1e3 * (START_S + (line_metre - FIRST_L_M[line]) * 60.0 / SPEED_M_PER_MIN[line]))

    def metre_at(self, line: str, t_ms: int) -> float | None:
        return float(self._L(line, t_ms / 1e3)) if t_ms / 1e3 >= START_S else None

    def proposals(self, limit: int = 100) -> Sequence[ProposalRow]:
        return self.proposed[:limit]

    def recipes_of_files(self) -> Sequence[Recipe]:
        return []

    def came_into_force(self, line: str | None = None) -> Sequence[RevisionRow]:
        return [r for r in self.came if line in (None, r.line)]

    # ---- how far a line has come ---------------------------------------------------------------------------

    def _newest_s(self, line: str) -> float:
        return min(self.clock(), self.silent.get(line, np.inf))

    def _L(self, line: str, t_s: float | Floats) -> float | Floats:
        return FIRST_L_M[line] + SPEED_M_PER_MIN[line] / 60.0 * (np.asarray(t_s) - START_S)

    def _at_take_up(self, line: str) -> float:
        offset = self.configuration.lines[line].counter_m - self.configuration.lines[line].take_up_m
        return float(self._L(line, self._newest_s(line))) + offset

    def _drum_number(self, line: str) -> int:
        return int((self._at_take_up(line) - FIRST_L_M[line]) // DRUM_M[line])

    def _drum(self, line: str, number: int) -> DrumRow:
        start = FIRST_L_M[line] + number * DRUM_M[line]
        wound = self._at_take_up(line) - start
        done = wound >= DRUM_M[line]
        pace = SPEED_M_PER_MIN[line] / 60.0
        begun_s = START_S + (start + 8.0 - FIRST_L_M[line]) / pace
        end = start + DRUM_M[line] if done else None
        _first, verdicts = self.verdicts(line, start, start + min(wound, DRUM_M[line]))
        metres = {v.word: float(np.count_nonzero(verdicts == v)) for v in Verdict}
        return DrumRow(
            line=line,
            filling=number + 1,
            drum=f"{line[-1]}-{1041 + number}",
            recipe=RECIPE[line],
            revision=1,
            start_m=start,
            end_m=end,
            start_ms=round(begun_s * 1e3),
            end_ms=round((begun_s + DRUM_M[line] / pace) * 1e3) if done else None,
            planned_length_m=DRUM_M[line],
            metres=metres,
        )

    # ---- Record --------------------------------------------------------------------------------------------

    def lines_now(self) -> Sequence[NowRow]:
        rows = []
        for name in self.configuration.lines:
            drum = self._drum(name, self._drum_number(name))
            newest_s, pace = self._newest_s(name), SPEED_M_PER_MIN[name] / 60.0
            on = None if name in self.bare else drum
            extra = {"dwell_s": {"shock-oven": 6 / pace, "oven-a": 28 / pace, "oven-b": 28 / pace}}
            rows.append(
                NowRow(
                    line=name,
                    t_ms=round(newest_s * 1e3),
                    state="running",
                    speed_m_per_s=pace,
                    line_metre=float(self._L(name, newest_s)),
                    drum=on.drum if on else None,
                    filling=on.filling if on else None,
                    recipe=on.recipe if on else None,
                    drum_start_m=on.start_m if on else None,
                    planned_length_m=on.planned_length_m if on else None,
                    extra=extra,
                )
            )
        return rows

    def health(self) -> Sequence[HealthRow]:
        t_ms = round(self.clock() * 1e3)
        free = 80 * 2**30
        return [
            HealthRow(
                monitor="all lines",
                t_ms=t_ms,
                messages=1200,
                rejected={"not JSON": 3},
                lag_s=0.3,
                queue=4,
                last_commit_ms=t_ms - 200,
                disk_free_bytes=free,
                suspended=self.suspended,
                lines=[name for name in self.configuration.lines if name not in self.unmonitored],
            )
        ]

    def damaged_files(self) -> Sequence[DamagedFile]:
        return [DamagedFile(line="core-1", path="drums/core-1/000001.parquet", damage="missing")]

    def alarms_now(self, line: str | None = None) -> Sequence[AlarmRow]:
        newest = {(a.line, a.alarm): a for a in self.alarms}
        order = {"high": 0, "medium": 1, "low": 2}
        open_ = [a for a in newest.values() if a.state != "normal" and line in (None, a.line)]
        return sorted(open_, key=lambda a: (a.state != "unacknowledged", order[a.priority], -a.occurrence_ms))

    def alarm_changes(
        self, line: str | None, start_ms: int, end_ms: int, limit: int = 1000, offset: int = 0
    ) -> Sequence[AlarmRow]:
        chosen = [a for a in self.alarms if line in (None, a.line) and start_ms <= a.t_ms <= end_ms]
        return sorted(chosen, key=lambda a: -a.t_ms)[offset : offset + limit]

    def count_alarm_changes(self, line: str | None, start_ms: int, end_ms: int) -> int:
        return len(self.alarm_changes(line, start_ms, end_ms, 10**9))

    def events_open(self, line: str) -> Sequence[LineEvent]:
        return [e for e in self.events if line == e.line and (e.asks or e.end_s is None)]

    def drums(self, line: str | None = None, limit: int = 50) -> Sequence[DrumRow]:
        names = [line] if line else list(self.configuration.lines)
        found = [self._drum(name, n) for name in names for n in range(self._drum_number(name) + 1)]
        return sorted(found, key=lambda d: -d.start_ms)[:limit]

    def find_drums(self, search: DrumSearch) -> Sequence[DrumRow]:
        decided = self.decisions(self.drums(None, 10**6)) if search.undecided else {}
        found = [
            drum
            for drum in self.drums(search.line, 10**6)
            if search.name.lower() in drum.drum.lower()
            and search.recipe in (None, drum.recipe)
            and not (search.undecided and (drum.end_m is None or drum.key in decided))
        ]
        return found[search.offset : search.offset + search.limit]

    def decisions(self, drums: Sequence[DrumRow]) -> Mapping[FillingKey, Finding]:
        return {
            drum.key: f
            for drum in drums
            if drum.end_m is not None
            for f in self.findings(drum.line, drum.start_m, drum.end_m)
            if f.kind is FindingKind.DECISION
        }

    def drum(self, line: str, filling: int) -> DrumRow | None:
        if line not in self.configuration.lines:
            return None
        return next((d for d in self.drums(line, 10**6) if d.filling == filling), None)

    def drum_named(self, line: str, drum: str) -> DrumRow | None:
        return next((d for d in self.drums_named(drum) if d.line == line), None)

    def drums_named(self, *names: str) -> Sequence[DrumRow]:
        return [d for d in self.drums(None, 10**6) if d.drum in names]

    def drums_between(self, line: str, start_m: float, end_m: float) -> Sequence[DrumRow]:
        found = [d for d in self.drums(line, 10**6) if d.start_m < end_m and (d.end_m is None or d.end_m > start_m)]
        return sorted(found, key=lambda d: d.start_m)

    def splices(self, line: str, start_m: float, end_m: float) -> Sequence[Splice]:
        here = sorted((s for s in self.put_on if s.line == line and s.line_metre < end_m), key=lambda s: s.line_metre)
        first = {s.position: s.line_metre for s in here if s.line_metre <= start_m}
        return [s for s in here if s.line_metre >= first.get(s.position, start_m)]

    def splices_of(self, drum: str) -> Sequence[Splice]:
        return sorted((s for s in self.put_on if s.drum == drum), key=lambda s: s.t_s)

    def verdicts(self, line: str, start_m: float, end_m: float) -> tuple[int, NDArray[np.int8]]:
        first = int(np.floor(start_m))
        last = min(int(np.ceil(end_m)), int(self._at_take_up(line)) - 20)
        out = np.zeros(max(last - first, 0), dtype=np.int8)
        for f in self.findings(line, start_m, end_m):
            a = int(np.floor(f.start_m)) - first
            b = int(np.ceil(f.end_m if f.end_m is not None else last)) - first
            piece = slice(max(a, 0), max(b, 0))
            out[piece] = np.maximum(out[piece], np.int8(f.verdict))
        return first, out

    def rows(
        self, line: str, start_m: float, end_m: float, columns: Sequence[str] | None = None
    ) -> Mapping[str, Floats]:
        last = min(np.ceil(end_m), np.floor(self._at_take_up(line)) - 20)
        metre = np.arange(np.floor(start_m), last, dtype=np.float64)
        out: dict[str, Floats] = {"line_metre": metre}
        for path, (typical, spread) in TYPICAL.items():
            wave = typical + spread * np.sin(metre / 37.0 + len(path)) + 0.4 * spread * np.sin(metre * 1.7)
            out |= {path: wave, f"{path}/min": wave - spread, f"{path}/max": wave + spread}
        for f in self.findings(line, start_m, end_m):
            inside = (metre >= f.start_m) & (metre < (f.end_m or np.inf))
            for name in (f.stream, f"{f.stream}/min", f"{f.stream}/max"):
                if name in out:
                    out[name][inside] = np.nan if f.kind == "missing" else f.extreme
        pace = SPEED_M_PER_MIN[line] / 60.0
        for zone, length in (("shock-oven", 6.0), ("oven-a", 28.0), ("oven-b", 28.0), ("cooling-trough", 12.0)):
            out[f"dwell/{zone}"] = np.full(len(metre), length / pace)
        return out if columns is None else {k: v for k, v in out.items() if k in {"line_metre", *columns}}

    def findings_of_kind(self, kind: FindingKind, limit: int) -> Sequence[Finding]:
        found = [f for line in self.configuration.lines for f in self.findings(line, 0.0, 1e9) if f.kind == kind]
        return sorted(found, key=lambda f: -f.start_s)[:limit]

    def findings(self, line: str, start_m: float, end_m: float) -> Sequence[Finding]:
        found = []
        wound, pace = self._at_take_up(line), SPEED_M_PER_MIN[line] / 60.0
        for number in range(self._drum_number(line) + 1):
            for at, length, kind, stream, check, verdict, extreme, limit in KNOWN:
                shift = 113.0 * number if number else 0.0
                a = FIRST_L_M[line] + number * DRUM_M[line] + (at + shift) % (DRUM_M[line] - 200)
                b = a + length
                if (line == "core-2" and kind in ("dwell", "mark")) or a > wound or b < start_m or a > end_m:
                    continue
                t = START_S + (a - FIRST_L_M[line]) / pace
                unit = "s" if kind in ("dwell", "missing") else self._unit(line, stream)
                open_ = b > wound
                found.append(
                    finding(
                        a,
                        None if open_ else b,
                        FindingKind(kind),
                        line=line,
                        key=f"{stream}/{check}@{round(t * 1e3)}",
                        stream=stream,
                        check=check,
                        verdict=verdict,
                        start_s=t,
                        end_s=None if open_ else t + length / pace,
                        extreme=extreme,
                        limit=limit,
                        unit=unit,
                        by="K. Berg" if kind == "mark" else "",
                        reason="joint in the conductor" if kind == "mark" else "",
                    )
                )
        return sorted(found, key=lambda f: f.start_m)

    def _unit(self, line: str, path: str) -> str:
        settings = self.configuration.lines[line].streams.get(path)
        return settings.unit if settings else ""

    def samples(self, stream: Stream, start_ms: int, end_ms: int) -> Trend:
        settings = self.configuration.lines[stream.line].streams.get(stream.path)
        end_s = min(end_ms / 1e3, self._newest_s(stream.line))
        start_s = max(start_ms / 1e3, START_S)
        if settings is None or settings.kind == "events" or end_s <= start_s:
            return Trend(np.empty(0, np.int64), np.empty(0))
        step_s = max(float(settings.interval_s or 1.0), 0.05)
        t = np.arange(np.ceil(start_s / step_s), np.ceil(end_s / step_s), dtype=np.float64) * step_s
        return Trend(np.round(t * 1e3).astype(np.int64), self._values(stream, settings, t))

    def _values(self, stream: Stream, settings: StreamSettings, t: Floats) -> Floats:
        line = self.configuration.lines[stream.line]
        if stream.path == line.counter.stream:
            return np.asarray(self._L(stream.line, t)) % (line.counter.wraps_at_m or np.inf)
        if stream.path == line.counter.speed:
            return SPEED_M_PER_MIN[stream.line] + 1.2 * np.sin(t / 7.0) + 0.5 * np.sin(t * 2.1)
        typical, spread = TYPICAL.get(stream.path, (1.0, 0.1))
        if stream.line == "core-2" and stream.path == "oven-a/temperature":
            typical -= 11.0
        return typical + spread * np.sin(t / 19.0 + len(stream.path)) + 0.5 * spread * np.sin(t * 1.3)

    def newest_ms(self, line: str) -> Mapping[str, int]:
        newest_s = self._newest_s(line)
        streams = self.configuration.lines[line].stream
        return {s.path: round((newest_s - (s.interval_s or 30.0)) * 1e3) for s in streams}

    def states(self, line: str, start_ms: int, end_ms: int) -> Sequence[tuple[int, str, str]]:
        begun = round(START_S * 1e3)
        changes = [
            (begun - 600_000, "stopped", "drum of conductor"),
            (begun - 40_000, "ramping", ""),
            (begun, "running", ""),
        ]
        before = [c for c in changes if c[0] <= start_ms][-1:]
        return before + [c for c in changes if start_ms < c[0] <= end_ms]

    def rejected(self) -> Sequence[RejectedRow]:
        now = round(self.clock() * 1e3)
        return [
            RejectedRow(
                line="core-1",
                kind="not JSON",
                count=3,
                newest_ms=now - 61_000,
                topic="tarn/core-1/head/pressure",
                why="expected JSON, got text that starts with 'ERR 17'; the sender's fault or its gateway's",
            ),
            RejectedRow(
                line="core-2",
                kind="unknown stream",
                count=128,
                newest_ms=now - 4_000,
                topic="tarn/core-2/oven-c/temperature",
                why="no stream oven-c/temperature on line core-2; add it to lines/core-2.toml or stop sending it",
            ),
        ]

    def gaps(self, line: str, start_ms: int, end_ms: int) -> Sequence[tuple[str, int, int, int]]:
        return [("cold-gauge/diameter-x", 5120, 5123, round(START_S * 1e3) + 90_000)]


def some_alarms(now_s: float) -> list[AlarmRow]:
    """Alarm changes of the last minutes: two that want an answer, one answered, one shelved, one gone."""

    def row(line: str, alarm: str, ago_s: float, state: str, priority: str, value: float | None, limit: float | None,
            unit: str, event: str = "raised", by: str = "", until_s: float | None = None, raised_ago_s: float = 0.0,
            reason: str = "") -> AlarmRow:  # fmt: skip
        t = round((now_s - ago_s) * 1e3)
        occurrence = round((now_s - (raised_ago_s or ago_s)) * 1e3)
        until = round((now_s + until_s) * 1e3) if until_s else None
        return AlarmRow(
            line=line,
            alarm=alarm,
            occurrence_ms=occurrence,
            t_ms=t,
            event=event,
            state=state,
            priority=priority,
            value=value,
            limit=limit,
            unit=unit,
            line_metre=FIRST_L_M[line] + 2000.0,
            recipe=RECIPE[line],
            revision=1,
            by=by,
            reason=reason,
            until_ms=until,
        )

    return [
        row("core-1", "cold-gauge/diameter-y/HI", 900, "unacknowledged", "medium", 3.672, 3.66, "mm"),
        row("core-1", "cold-gauge/diameter-y/HI", 870, "acknowledged", "medium", 3.672, 3.66, "mm", "acknowledge",
            "K. Berg", raised_ago_s=900),
        row("core-1", "cold-gauge/diameter-y/HI", 840, "normal", "medium", 3.672, 3.66, "mm", "returned",
            raised_ago_s=900),
        row("core-1", "head/pressure/HI", 400, "unacknowledged", "medium", 192.4, 190.0, "bar"),
        row("core-1", "head/pressure/HI", 380, "acknowledged", "medium", 192.4, 190.0, "bar", "acknowledge", "K. Berg",
            raised_ago_s=400, reason="screen change planned"),
        row("core-1", "dancer/position/missing", 4000, "unacknowledged", "low", None, 5.0, "s"),
        row("core-1", "dancer/position/missing", 3900, "shelved", "low", None, 5.0, "s", "shelve", "J. Lind", 3600.0,
            4000, "potentiometer on order"),
        row("core-2", "oven-a/temperature/LO", 95, "unacknowledged", "medium", 279.2, 280.0, "degC"),
        row("core-2", "spark-electrode/spark-fault/spark-fault", 31, "unacknowledged", "high", 1.0, None, "count"),
        row("core-2", "hot-gauge/diameter/LO", 200, "returned to normal unacknowledged", "low", 3.45, 3.46, "mm"),
    ]  # fmt: skip


@dataclass
class FakeGateway:
    """Keeps what was sent."""

    sent: list[tuple[str, Action | LimitsStep]] = field(default_factory=list)

    def send(self, line: str, action: Action | LimitsStep) -> None:
        self.sent.append((line, action))


def drum_with(
    line: Line, recipe: Recipe | None, findings: Sequence[Finding], start_m: float = 0.0, length_m: float = 100.0,
    rows: Mapping[str, Floats] | None = None,
) -> WholeDrum:  # fmt: skip
    """A drum of findings and rows in line metres."""
    row = DrumRow(
        line=line.line, filling=1, drum="1-1", recipe="", revision=1, start_m=start_m, end_m=start_m + length_m,
        start_ms=0, end_ms=1, planned_length_m=None, metres={},
    )  # fmt: skip
    columns = rows or {"line_metre": np.empty(0)}
    return WholeDrum(
        row=row, line=line, recipe=recipe, revisions="", named_alike=(row,), length_m=length_m,
        findings=tuple(on_drum(findings, start_m, length_m)), inherited=(), runs=(),
        metre_m=columns["line_metre"] - start_m, columns=columns, test=None,
    )  # fmt: skip
