"""Scores the monitor's results against the ground truth: found, missed, false, and position error in metres."""

import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby, pairwise
from pathlib import Path
from typing import TypeVar

import numpy as np
import pyarrow.parquet as pq
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from sqlalchemy import create_engine, select
from sqlalchemy.engine import Connection, make_url

from monitor.contract.command import Command
from monitor.contract.config.line import Line
from monitor.contract.config.load import ConfigurationError, load
from monitor.contract.config.recipe import Recipe, Window
from monitor.contract.record import DrumSpan, Finding, FindingKind, Floats, LineEvent
from monitor.store.events import event_of
from monitor.store.findings import finding_of
from monitor.store.schema import DRUM, EVENT, FINDING
from simulator.commands import SUMMARIES
from simulator.mark_events import EventMark, mark_events
from simulator.truth import DrumCut, Spark, TrueStretch, Truth

SPARK_SEARCH_M = 5.0  # a finding farther away than this is of another fault
TOUCH_M = 2.0
RUN_ENDS_S = 2.0
SURE_SHARE = 0.006  # of an index or a peak: what gauge noise of 0.3 K makes of it, and the model's own error
SURE_SHARE_AGED = 0.03  # of the degradation index, which is steeper
CURE_CHECKS = (
    ("cure/index-inner", "undercured"),
    ("cure/index-inner", "scant"),
    ("cure/surface-peak", "overheated"),
    ("cure/degradation", "overheated"),
)

T = TypeVar("T", Finding, DrumSpan, LineEvent)


@dataclass(slots=True, kw_only=True)
class Mark:
    """One thing that was looked for. Errors in m; `allowed_m` holds what each error may be."""

    what: str
    true: int = 0
    found: int = 0
    missed: list[str] = field(default_factory=list)
    false: list[str] = field(default_factory=list)
    off: list[str] = field(default_factory=list)
    errors_m: list[float] = field(default_factory=list)

    @property
    def worst_m(self) -> float:
        """Largest error of position, m; 0 where nothing was found."""
        return max(self.errors_m, default=0.0)

    @property
    def good(self) -> bool:
        """Nothing missed, nothing false, nothing farther off than allowed."""
        return not (self.missed or self.false or self.off)


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowed:
    """How far off a place may be, m: spark faults at constant speed and in ramps or stops, ends of intervals, cure."""

    spark_m: float = 0.5
    spark_ramp_m: float = 1.0
    ends_m: float = 2.0
    cure_miss_m: float = 1.0
    cure_false_m: float = 2.0


def mark(
    truth: Truth,
    findings: Iterable[Finding],
    drums: Iterable[DrumSpan],
    line: Line,
    recipe: Recipe,
    allowed: Allowed | None = None,
) -> list[Mark]:
    """Compare a line's truth with its record; the newest form of each finding and drum counts."""
    allowed = allowed or Allowed()
    newest = list({f.key: f for f in findings if f.line == truth.line}.values())
    windows = {w.stream: w for w in recipe.window}
    events = [f for f in newest if f.stream in {c.stream for c in recipe.event_check}]
    return [
        mark_sparks(truth, events, allowed),
        mark_windows(truth, [f for f in newest if f.kind is FindingKind.WINDOW], windows, allowed),
        mark_instruments(truth, [f for f in newest if f.kind in (FindingKind.MISSING, FindingKind.STUCK)], line),
        mark_drums(truth.cuts, list({d.filling: d for d in drums if d.line == truth.line}.values()), allowed),
    ]


# ---- spark faults ---------------------------------------------------------------------------------------------


def mark_sparks(truth: Truth, findings: Sequence[Finding], allowed: Allowed) -> Mark:
    """Each fault needs one finding of its own near by; pairs are chosen for the least sum of distances."""
    result = Mark(what="spark faults", true=len(truth.sparks))
    centres = [((f.start_m + (f.end_m if f.end_m is not None else f.start_m)) / 2, f.key) for f in findings]
    for sparks, found in _neighbours(truth.sparks, sorted(centres)):
        distance = np.abs(np.subtract.outer([s.metre for s in sparks], [c for c, _ in found]))
        cost = np.minimum(distance, SPARK_SEARCH_M * 1e3)
        pairs = [(i, j) for i, j in zip(*linear_sum_assignment(cost), strict=True) if distance[i, j] <= SPARK_SEARCH_M]
        result.found += len(pairs)
        for i, j in pairs:
            limit = allowed.spark_m if _even(truth, sparks[i]) else allowed.spark_ramp_m
            _note(result, float(distance[i, j]), limit, f"spark fault at {sparks[i].metre:.2f} m")
        paired_i, paired_j = {i for i, _ in pairs}, {j for _, j in pairs}
        result.missed += [f"at {s.metre:.2f} m ({s.cause})" for i, s in enumerate(sparks) if i not in paired_i]
        result.false += [f"{key} at {c:.2f} m" for j, (c, key) in enumerate(found) if j not in paired_j]
    return result


def _neighbours(
    sparks: Sequence[Spark], found: Sequence[tuple[float, str]]
) -> Iterable[tuple[list[Spark], list[tuple[float, str]]]]:
    """Groups that no distance to be searched joins to another."""
    both: list[tuple[float, Spark | tuple[float, str]]] = [(s.metre, s) for s in sparks]
    both += [(c, (c, key)) for c, key in found]
    both.sort(key=lambda one: one[0])
    breaks = np.cumsum(np.diff([at for at, _ in both], prepend=both[0][0] if both else 0.0) > SPARK_SEARCH_M)
    for _, group in groupby(zip(breaks.tolist(), both, strict=True), key=lambda one: one[0]):
        members = [one for _, (_, one) in group]
        yield [m for m in members if isinstance(m, Spark)], [m for m in members if isinstance(m, tuple)]


def _even(truth: Truth, spark: Spark) -> bool:
    """Whether the line ran evenly when the fault met the electrode."""
    state = "running"
    for change in truth.states:
        if change.t_s <= spark.t_s:
            state = change.state
    return state == "running"


# ---- windows ---------------------------------------------------------------------------------------------------


def mark_windows(truth: Truth, findings: Sequence[Finding], windows: Mapping[str, Window], allowed: Allowed) -> Mark:
    """Truth and findings of one limit that overlap belong together; their outer ends are compared."""
    result = Mark(what="intervals out of window")
    keys = {(s.stream, s.check, s.place) for s in truth.beyond} | {(f.stream, f.check, f.text) for f in findings}
    for key in sorted(keys):
        stretches = [s for s in truth.beyond if (s.stream, s.check, s.place) == key]
        found = [f for f in findings if (f.stream, f.check, f.text) == key]
        for true_ones, found_ones in _overlapping(stretches, found):
            _mark_window(result, truth, windows[key[0]], true_ones, found_ones, allowed)
    return result


def _mark_window(
    result: Mark, truth: Truth, window: Window, stretches: list[TrueStretch], found: list[Finding], allowed: Allowed
) -> None:
    sure = [s for s in stretches if _sure(truth, window, s)]
    result.true += len(sure)
    if not stretches:
        result.false += [f"{f.key} at {f.start_m:.1f} m" for f in found if not _excused(truth, f)]
        return
    if not found:
        result.missed += [f"{s.stream} {s.check} {s.place} at {s.start_m:.1f}-{s.end_m:.1f} m" for s in sure]
        return
    result.found += len(sure)
    if len(sure) == len(stretches) and not any(_excused(truth, f) for f in found):
        _ends(result, window, stretches, found, allowed)


def _ends(result: Mark, window: Window, stretches: list[TrueStretch], found: list[Finding], allowed: Allowed) -> None:
    """The start may lie anywhere from the limit to where no noise could hide it, the end as far as the deadband."""
    first, last = stretches[0], max(stretches, key=lambda s: s.clear_m)
    what = f"{first.stream} {first.check} {first.place}".rstrip()
    limit = max(allowed.ends_m, _on_delay_m(window, first))
    start_m = min(f.start_m for f in found)
    sure_m = first.start_m if first.sure_m is None else first.sure_m
    error = max(first.start_m - start_m, start_m - sure_m, 0.0)
    _note(result, error, limit, f"{what}: start at {first.start_m:.1f} m, found {start_m:.1f}")
    ends = [f.end_m for f in found]
    if None not in ends:
        end_m = max(e for e in ends if e is not None)
        error = max(last.end_m - end_m, end_m - last.clear_m, 0.0)
        _note(result, error, limit, f"{what}: end at {last.end_m:.1f}-{last.clear_m:.1f} m, found {end_m:.1f}")


def _on_delay_m(window: Window, stretch: TrueStretch) -> float:
    """The on-delay in metres of cable at the mean speed of the stretch."""
    if window.on_delay_m is not None:
        return window.on_delay_m
    took_s = max(stretch.clear_s - stretch.start_s, 1e-9)
    return (window.on_delay_s or 0.0) * (stretch.clear_m - stretch.start_m) / took_s


def _sure(truth: Truth, window: Window, stretch: TrueStretch) -> bool:
    """Whether noise and the on-delay leave no doubt that it must be found."""
    if _hidden(truth, stretch):
        return False
    clear = stretch.sure_m is not None
    if window.on_delay_m is not None:
        return clear and stretch.end_m - stretch.start_m > 2 * window.on_delay_m
    return clear and stretch.end_s - stretch.start_s > 2 * (window.on_delay_s or 0.0)


def _hidden(truth: Truth, stretch: TrueStretch) -> bool:
    """Whether a trouble of the gauge lay over it, so that nobody could see all of it."""
    return any(
        t.stream == stretch.stream and t.start_s < stretch.clear_s and t.end_s > stretch.start_s for t in truth.troubles
    )


def _excused(truth: Truth, found: Finding) -> bool:
    """Whether the gauge itself was in trouble: what it sent then is not a false finding."""
    end_m = found.end_m if found.end_m is not None else np.inf
    return any(t.stream == found.stream and t.start_m < end_m and t.end_m > found.start_m for t in truth.troubles)


def _overlapping(
    stretches: list[TrueStretch], found: list[Finding]
) -> Iterable[tuple[list[TrueStretch], list[Finding]]]:
    spans: list[tuple[float, float, TrueStretch | Finding]] = [(s.start_m, s.clear_m, s) for s in stretches]
    spans += [(f.start_m, f.end_m if f.end_m is not None else np.inf, f) for f in found]
    spans.sort(key=lambda span: span[:2])
    groups: list[list[TrueStretch | Finding]] = []
    reach = -np.inf
    for start, end, one in spans:
        if start > reach + TOUCH_M:
            groups.append([])
        groups[-1].append(one)
        reach = max(reach, end)
    for group in groups:
        yield [g for g in group if isinstance(g, TrueStretch)], [g for g in group if isinstance(g, Finding)]


# ---- cure ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TrueCure:
    """What metres (k,), their middles a step apart, truly came to; indices [1], peak [degC], rising in metre."""

    metres: Floats
    index_inner: Floats
    peak_C: Floats
    degradation: Floats

    def beyond(self, column: str, check: str, recipe: Recipe, by: float = 0.0) -> NDArray[np.bool_]:
        """Where a limit is passed by more than a share `by` of it; below 0: where it is nearly reached."""
        c = recipe.cure
        assert c is not None
        if column == "cure/surface-peak":
            return np.asarray(self.peak_C > c.surface_max_C * (1 + by))
        if column == "cure/degradation":
            return np.asarray(self.degradation > c.degradation_max * (1 + by))
        return np.asarray(self.index_inner < (c.index_min if check == "undercured" else c.index_warn) * (1 - by))


def mark_cure(true: TrueCure, findings: Sequence[Finding], recipe: Recipe, allowed: Allowed) -> Mark:
    """Metres that truly passed a limit of cure against those found, check by check.

    A metre within the reach of gauge noise of the limit may be found or not; a false one is more than `false_m` away
    from the nearest that is even nearly beyond.
    """
    result = Mark(what="metres beyond a limit of cure")
    newest = {f.key: f for f in findings}.values()
    for column, check in CURE_CHECKS:
        mine = [f for f in newest if f.stream == column and f.check == check]
        found = np.zeros(len(true.metres), dtype=bool)
        for f in mine:
            end_m = np.inf if f.end_m is None else f.end_m
            found |= (true.metres >= f.start_m) & (true.metres < end_m)
        by = SURE_SHARE_AGED if column == "cure/degradation" else SURE_SHARE
        sure, nearly = true.beyond(column, check, recipe, by), true.beyond(column, check, recipe, -by)
        result.true += int(sure.sum())
        result.found += int((sure & found).sum())
        result.missed += _longer(true.metres, sure & ~found, allowed.cure_miss_m, f"{column} {check}")
        false = found & ~_near(true.metres, nearly, allowed.cure_false_m)
        result.false += _longer(true.metres, false, 0.0, f"{column} {check}")
    return result


def _near(metres: Floats, which: NDArray[np.bool_], within_m: float) -> NDArray[np.bool_]:
    places = metres[which]
    if not len(places):
        return np.zeros(len(metres), dtype=bool)
    at = np.clip(np.searchsorted(places, metres), 1, len(places) - 1) if len(places) > 1 else np.zeros(len(metres), int)
    distance = np.minimum(np.abs(metres - places[at]), np.abs(metres - places[np.maximum(at - 1, 0)]))
    return np.asarray(distance <= within_m)


def _longer(metres: Floats, which: NDArray[np.bool_], than_m: float, what: str) -> list[str]:
    """Runs of metres that are longer than allowed, in words."""
    if not which.any():
        return []
    step = float(np.median(np.diff(metres)))
    edges = np.flatnonzero(np.diff(which.astype(np.int8), prepend=0, append=0))
    runs = [(a, b) for a, b in pairwise(edges.tolist()) if which[a]]
    return [f"{what} at {metres[a]:.1f}-{metres[b - 1]:.1f} m" for a, b in runs if (b - a) * step > than_m]


# ---- instruments and drums ---------------------------------------------------------------------------------------


def mark_instruments(truth: Truth, findings: Sequence[Finding], line: Line) -> Mark:
    """Each silence and each sticking that is long enough needs a finding that overlaps it; others are false."""
    result = Mark(what="silent and stuck gauges")
    kinds = {"drop-out": "missing", "bad": "missing", "stick": "stuck"}
    known = [t for t in truth.troubles if t.check in kinds]
    for trouble in known:
        settings = line.streams[trouble.stream]
        after_s = settings.missing_after_s if kinds[trouble.check] == "missing" else settings.stuck_after_s
        if (
            after_s is None
            or trouble.end_s - trouble.start_s < after_s + 1.0
            or trouble.start_s + after_s > truth.until_s
        ):
            continue
        result.true += 1
        near = [f for f in findings if f.kind == kinds[trouble.check] and _same_time(truth, trouble, f)]
        result.found += bool(near)
        if not near:
            result.missed.append(f"{trouble.stream} {trouble.check} at {trouble.start_m:.1f} m")
    over_ms = truth.start_ms + (truth.until_s - RUN_ENDS_S) * 1e3
    judged = [f for f in findings if f.start_s * 1e3 < over_ms]  # after that every gauge is silent
    result.false += [f"{f.key} at {f.start_m:.1f} m" for f in judged if not any(_same_time(truth, t, f) for t in known)]
    return result


def _same_time(truth: Truth, trouble: TrueStretch, found: Finding) -> bool:
    start_s = found.start_s - truth.start_ms / 1e3
    end_s = np.inf if found.end_s is None else found.end_s - truth.start_ms / 1e3
    return found.stream == trouble.stream and start_s < trouble.end_s + 1.0 and end_s > trouble.start_s - 1.0


def mark_drums(cuts: Sequence[DrumCut], drums: Sequence[DrumSpan], allowed: Allowed) -> Mark:
    """Each filling begins where the knife was. A name may come back: of those of one name, the nearest is meant."""
    result = Mark(what="drums", true=len(cuts))
    pairs = [(abs(d.start_m - c.start_m), i, j) for i, c in enumerate(cuts) for j, d in enumerate(drums)
             if c.drum == d.drum]  # fmt: skip
    of_cut: dict[int, int] = {}
    for error, i, j in sorted(pairs):
        if i not in of_cut and j not in of_cut.values():
            of_cut[i] = j
            result.found += 1
            _note(result, error, allowed.spark_ramp_m, f"{cuts[i].drum}: start at {cuts[i].start_m:.1f} m")
    result.missed += [f"{c.drum} at {c.start_m:.1f} m" for i, c in enumerate(cuts) if i not in of_cut]
    result.false += [f"{d.drum} at {d.start_m:.1f} m" for j, d in enumerate(drums) if j not in of_cut.values()]
    return result


def _note(result: Mark, error_m: float, limit_m: float, what: str) -> None:
    result.errors_m.append(error_m)
    if error_m > limit_m:
        result.off.append(f"{what}: off by {error_m:.2f} m, allowed {limit_m:.2f}")


def mark_of(events: EventMark) -> Mark:
    """How events were scored, as a mark: one in several parts, or together with another, was not found."""
    parts = [f"in several parts: {text}" for text in events.split] + [
        f"not by itself: {text}" for text in events.hidden
    ]
    return Mark(what="events", true=events.true, found=events.found, missed=events.missed + parts, false=events.false)


# ---- the command ---------------------------------------------------------------------------------------------------


def table(marks: Mapping[str, Sequence[Mark]]) -> str:
    """Marks of each line as a table, with what is wrong below."""
    rows = [f"{'line':<10} {'what':<26} {'true':>6} {'found':>6} {'missed':>6} {'false':>6} {'worst, m':>9}"]
    wrong = []
    for line, of_line in marks.items():
        for m in of_line:
            counts = f"{m.true:>6} {m.found:>6} {len(m.missed):>6} {len(m.false):>6}"
            rows.append(f"{line:<10} {m.what:<26} {counts} {m.worst_m:>9.2f}")
            for word, texts in (("missed", m.missed), ("false", m.false), ("off", m.off)):
                wrong += [f"{line}: {m.what}: {word}: {text}" for text in texts]
    return "\n".join([*rows, *wrong])


def read_cure(path: Path) -> TrueCure | None:
    """What `simulate --truth` wrote of the cure; None where it wrote none. Metres are made middles."""
    if not path.is_file():
        return None
    table = pq.read_table(path, columns=["metre", "index_inner", "peak_C", "degradation"])
    metre, *rest = (column.to_numpy() for column in table.columns)
    return TrueCure(metre, *rest)


def read_findings(connection: Connection) -> list[Finding]:
    """All findings of a store."""
    return [finding_of(row) for row in connection.execute(select(FINDING))]


def read_events(connection: Connection) -> list[LineEvent]:
    """All events of a store."""
    return [event_of(row) for row in connection.execute(select(EVENT))]


def read_drums(connection: Connection) -> list[DrumSpan]:
    """All drums of a store."""
    return [
        DrumSpan(
            line=r.line, filling=r.filling, drum=r.drum, recipe=r.recipe, revision=r.revision, start_m=r.start_m,
            end_m=r.end_m, start_s=r.start_ms / 1e3, end_s=None if r.end_ms is None else r.end_ms / 1e3,
            planned_length_m=r.planned_length_m,
        )
        for r in connection.execute(select(DRUM))
    ]  # fmt: skip


def _options(parser: ArgumentParser) -> None:
    parser.add_argument("--truth", type=Path, required=True, metavar="FOLDER", help="what `simulate --truth` wrote")
    parser.add_argument("--store", required=True, metavar="FOLDER", help="the monitor's store: a folder or an address")
    parser.add_argument("--configs", type=Path, default=Path("configs"), metavar="FOLDER", help="the configuration")
    parser.add_argument(
        "--faults", type=Path, metavar="FILE", help="write the true fault positions as CSV, for a rehearsal"
    )


def faults_csv(truths: Sequence[Truth]) -> str:
    """What is truly bad, as `everymetre rehearse --known` reads it."""
    rows = ["line,start_m,end_m,of"]
    for t in truths:
        rows += [f"{t.line},{s.metre:.3f},{s.metre:.3f},spark fault of {s.cause}" for s in t.sparks]
        rows += [f"{t.line},{b.start_m:.3f},{b.end_m:.3f},{b.stream} beyond {b.check}" for b in t.beyond]
    return "\n".join([*rows, ""])


def _run(options: Namespace) -> int:
    truths = [Truth.read(path) for path in sorted(options.truth.glob("*.json"))]
    if not truths:
        print(
            f"no truth in {options.truth}: write it with `everymetre simulate --truth {options.truth}`", file=sys.stderr
        )
        return 2
    if options.faults:
        options.faults.write_text(faults_csv(truths), encoding="utf-8")
    try:
        configuration = load(options.configs)
        address = _address(options.store)
    except (ConfigurationError, FileNotFoundError) as error:
        print(error, file=sys.stderr)
        return 2
    with create_engine(address).connect() as connection:
        findings, drums, events = read_findings(connection), read_drums(connection), read_events(connection)
    marks = {}
    for t in truths:
        line, recipe, found = configuration.lines[t.line], configuration.recipes[t.recipe], _since(t, findings)
        marks[t.line] = mark(t, found, _since(t, drums), line, recipe)
        marks[t.line].append(mark_of(mark_events(t, _since(t, events), line, recipe)))
        if (cured := read_cure(options.truth / f"{t.line}-cure.parquet")) is not None:
            marks[t.line].append(mark_cure(cured, found, recipe, Allowed()))
    print(table(marks))
    return 0 if all(m.good for of_line in marks.values() for m in of_line) else 1


def _since(truth: Truth, found: Sequence[T]) -> list[T]:
    return [f for f in found if f.start_s * 1e3 >= truth.start_ms - 1]


def _address(store: str) -> str:
    if "://" in store:
        return make_url(store).render_as_string(hide_password=False)
    found = sorted(Path(store).glob("*.sqlite*")) + sorted(Path(store).glob("*.db"))
    files = [path for path in found if not path.name.endswith(("-wal", "-shm"))]
    if not files:
        raise FileNotFoundError(f"no SQLite file in {store}: name the monitor's store folder with --store")
    return f"sqlite:///file:{files[0]}?mode=ro&uri=true"


COMMAND = Command(SUMMARIES["mark"], _options, _run)
