"""`everymetre rehearse`: alarms that other limits would have raised on recorded data; or a suggestion for one."""

import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Callable, Iterator, Sequence
from dataclasses import astuple, replace
from datetime import datetime
from multiprocessing.connection import Connection
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.analysis import alarm_load as alarm_figures
from monitor.analysis.activations import Activation
from monitor.analysis.in_force import recipes_in_force
from monitor.analysis.rehearse import (
    Asked,
    AskedLimit,
    CancelledError,
    Comparison,
    Fault,
    Kept,
    Side,
    compare,
    in_words,
    together,
    without_changes,
)
from monitor.analysis.shift_calendar import worth_of
from monitor.analysis.suggest import (
    DEADBANDS,
    Recorded,
    Suggestion,
    joined,
    noise,
    suggest,
    that_matter,
    that_matter_to,
    tried,
    windows_alone,
)
from monitor.commands import SUMMARIES
from monitor.commands.csv_table import read_table
from monitor.commands.monitor import configured
from monitor.contract.command import Command
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.limits import Changes, with_limits
from monitor.contract.config.load import ConfigurationError
from monitor.contract.config.recipe import Recipe, Window
from monitor.contract.messages import DrumChange
from monitor.contract.number_format import exact, fixed, significant
from monitor.contract.reading import DrumRow
from monitor.contract.record import Floats
from monitor.contract.topics import Stream
from monitor.core.arrival import Message
from monitor.core.decode import blot_out
from monitor.core.engine import Engine
from monitor.core.pipeline import Pipeline
from monitor.core.stream import SIGN
from monitor.store.message_history import History
from monitor.store.reader import StoreReader

PART_MS = 86_400_000  # span of one stream in memory at a time
BEFORE_MS = 600_000  # read before the span, so that delays and cable in the line have begun

Progress = Callable[[float], bool]  # takes the share done, returns whether to go on


def go_on(_: float) -> bool:
    """Never stops."""
    return True


def recipes_then(configuration: Configuration, reader: StoreReader, line: str, t_ms: int) -> dict[str, Recipe]:
    """Recipes in force on a line at a time, UTC ms."""
    came = [(row.t_ms, row.recipe) for row in reader.came_into_force(line)]
    return recipes_in_force(configuration.recipes_for(line), reader.recipes_of_files(), came, t_ms)


def run(configuration: Configuration, asked: Asked, progress: Progress = go_on) -> Comparison:
    """Both runs of the engine over the record of each line, one after the other.

    Raises CancelledError, and LimitsError for changes that cannot be.
    """
    found, count = {}, len(asked.lines)
    for i, line in enumerate(asked.lines):
        one = replace(asked, line=line, more_lines=())
        found[line] = _run_one(configuration, one, lambda share, i=i: progress((i + share) / count))  # type: ignore[misc]
    return together(found)


def _run_one(configuration: Configuration, asked: Asked, progress: Progress) -> Comparison:
    if asked.stream is not None:
        return _run_alone(configuration, asked, asked.stream, progress)
    reader = StoreReader(configuration.works.store, configuration)
    line = configuration.lines[asked.line]
    begin_ms = asked.start_ms - BEFORE_MS
    recipes = recipes_then(configuration, reader, asked.line, begin_ms)
    if not asked.with_cure:
        recipes = {name: recipe.model_copy(update={"cure": None}) for name, recipe in recipes.items()}
    changed = {n: with_limits(r, asked.changes[n]) if n in asked.changes else r for n, r in recipes.items()}
    same_cure = asked.with_cure and not any(key.startswith("cure/") for c in asked.changes.values() for key in c)
    if same_cure:  # the same heat under the same limits need not be computed twice
        changed = {n: r.model_copy(update={"cure": None}) for n, r in changed.items()}
    known: list[int] = []
    before, after = (Engine({asked.line: Pipeline(line=line, recipes=by)}) for by in (recipes, changed))
    drum = drum_at(reader, asked.line, begin_ms)
    if drum is not None:
        for engine in (before, after):
            on = DrumChange(n=0, t=begin_ms, drum=drum.drum, recipe=drum.recipe, planned_length_m=drum.planned_length_m)
            engine.pipelines[asked.line].assume(on, begin_ms / 1e3)
    was, would_be = Kept(), Kept()
    for messages in History(configuration=configuration, line=asked.line).read(begin_ms, asked.end_ms):
        was.add(before.feed({asked.line: messages}))
        would_be.add(after.feed({asked.line: without_changes(messages)}))
        stamps = [round(m.t_s * 1e3) for m in messages if isinstance(m, Message)]
        known += [min(stamps), max(stamps)] if stamps else []
        if messages and not progress(_share(messages[-1], asked)):
            raise CancelledError
    a, b = (kept.side(asked.start_ms / 1e3, asked.end_ms / 1e3) for kept in (was, would_be))
    found = compare(a, b.with_cure_of(a) if same_cure else b, asked.known_on(asked.line))
    return replace(found, known_ms=(min(known), max(known)) if known else None)


def _run_alone(configuration: Configuration, asked: Asked, path: str, progress: Progress) -> Comparison:
    """One stream's window under both limits, over the blocks of samples that come near one of them."""
    if configuration.lines[asked.line].streams[path].derived:
        raise ValueError(f"{path} is worked out from other streams: rehearse the whole line")
    reader = StoreReader(configuration.works.store, configuration)
    recipes = recipes_then(configuration, reader, asked.line, asked.start_ms)
    name = next(iter(asked.changes), None) or next((n for n, r in recipes.items() if _window(r, path)), "")
    before = _window(recipes[name], path) if name in recipes else None
    if before is None:
        raise ValueError(f"no recipe of line {asked.line} has a window for {path}")
    after = _window(with_limits(recipes[name], asked.changes.get(name, {})), path)
    assert after is not None
    near, known = [], []
    for part in recorded(configuration, asked.line, name, before, asked.start_ms, asked.end_ms):
        near.append(that_matter_to(part, (before, after)))
        known += [round(part.t_s[0] * 1e3), round(part.t_s[-1] * 1e3)]
        if not progress((known[-1] - asked.start_ms) / max(asked.end_ms - asked.start_ms, 1)):
            raise CancelledError
    if not near:
        raise ValueError(f"nothing of {path} is on record in this span")
    whole = joined(near)
    a, b = (Side(tuple(_raised(asked.line, w, whole)), ()) for w in (before, after))
    return replace(compare(a, b, asked.known_on(asked.line)), known_ms=(min(known), max(known)))


def _window(recipe: Recipe, path: str) -> Window | None:
    return next((w for w in recipe.window if w.stream == path), None)


def _raised(line: str, window: Window, data: Recorded) -> Iterator[Activation]:
    for name, one in windows_alone(data, window):
        yield Activation(
            line=line,
            alarm=f"{window.stream}/{name}",
            priority=window.priority_of(name).value,
            t_s=one.raised,
            end_s=one.returned,
            line_metre=None,
            value=None,
            limit=window.limits[name],
            unit=window.unit,
        )


def _share(newest: object, asked: Asked) -> float:
    t_ms = newest.t_s * 1e3 if isinstance(newest, Message) else asked.start_ms
    return float(np.clip((t_ms - asked.start_ms) / max(asked.end_ms - asked.start_ms, 1), 0.0, 1.0))


def drum_at(reader: StoreReader, line: str, t_ms: int) -> DrumRow | None:
    """The drum that was being wound at a time."""
    for drum in reader.drums(line, 100_000):
        if drum.start_ms <= t_ms and (drum.end_ms is None or t_ms < drum.end_ms):
            return drum
    return None


def shifts_in(configuration: Configuration, start_ms: int, end_ms: int) -> float:
    """How many shifts of the works a span is worth."""
    return worth_of(start_ms, end_ms, configuration.works.shift, configuration.works.time_zone)


# ---- suggesting --------------------------------------------------------------------------------------------------


def recorded(
    configuration: Configuration, line: str, recipe: str, window: Window, start_ms: int, end_ms: int
) -> Iterator[Recorded]:
    """Samples of a window's stream, part by part, with whether it applied: by the line's state and its recipe.

    Cable of another recipe has other dimensions: its samples are nothing that this window was meant for.
    """
    reader = StoreReader(configuration.works.store, configuration)
    steps = reader.states(line, start_ms, end_ms)
    state_s = np.array([-np.inf, *(t_ms / 1e3 for t_ms, _, _ in steps)])
    applies = np.array([False, *(state in window.states for _, state, _ in steps)])
    low, high = configuration.lines[line].range_of(window.stream)
    wound = reader.recipes_of_drums(line, start_ms, end_ms)
    for begin_ms in range(start_ms, end_ms + 1, PART_MS):
        part = reader.samples(Stream(line, *window.stream.split("/")), begin_ms, min(begin_ms + PART_MS - 1, end_ms))
        if len(part.v):
            v = part.v.copy()
            blot_out(v, low, high)
            good = ~np.isnan(v)
            t_s = part.t_ms[good] / 1e3
            yield Recorded(t_s, v[good], applies[_steps_at(state_s, t_s)] & _wound_by(wound, recipe, part.t_ms[good]))


def _wound_by(wound: Sequence[tuple[str, int, float]], recipe: str, t_ms: NDArray[np.int64]) -> NDArray[np.bool_]:
    """At which of some times (UTC ms) a drum of that recipe was being wound."""
    found = np.zeros(len(t_ms), dtype=bool)
    for name, begun_ms, end_ms in wound:
        if name == recipe:
            found |= (t_ms >= begun_ms) & (t_ms < end_ms)
    return found


def _steps_at(state_s: Floats, t_s: Floats) -> NDArray[np.intp]:
    """Place of the step in force at each of sorted times: few steps, so the times are cut at them."""
    cuts = np.searchsorted(t_s, state_s[1:], side="left")
    return np.repeat(np.arange(len(state_s)), np.diff(np.concatenate(([0], cuts, [len(t_s)]))))


def suggestion(
    configuration: Configuration,
    line: str,
    limit: str,
    start_ms: int,
    end_ms: int,
    most_per_shift: float,
    recipe: str | None = None,
) -> Suggestion:
    """For `STATION/QUANTITY/HI` and the like, from the cable of one recipe (see `AskedLimit`).

    ValueError where there is no such limit, or nothing on record.
    """
    path, _, name = limit.rpartition("/")
    reader = StoreReader(configuration.works.store, configuration)
    recipes = recipes_then(configuration, reader, line, end_ms)
    chosen = {n: r for n, r in recipes.items() if recipe in (None, n)}
    having = [(n, w) for n, r in chosen.items() for w in r.window if w.stream == path and name in w.limits]
    if not having:
        whose = f"recipe {recipe}" if recipe else "no recipe"
        has = "has not" if recipe else "has"
        raise ValueError(
            f"{whose} of line {line} {has} the limit {limit!r}; expected STATION/QUANTITY/LOLO, LO, HI or HIHI"
        )
    of, window = having[0]
    at, sign = window.limits[name], SIGN[name]  # type: ignore[index]
    near: list[Recorded] = []
    bands: list[float] = []
    for part in recorded(configuration, line, of, window, start_ms, end_ms):
        bands = bands or [round(k * noise(part.v), 6) for k in DEADBANDS]
        near.append(that_matter(part, at, sign, max(bands)))
    if not near:
        raise ValueError(f"nothing of {path} is on record in this span")
    candidates = tried(joined(near), at, sign, window.off_delay_s or 0.0, bands)
    return suggest(candidates, shifts_in(configuration, start_ms, end_ms), most_per_shift)


# ---- in a process of its own, for the pages ------------------------------------------------------------------------


def work(end: Connection, configuration: Configuration, asked: Asked | AskedLimit) -> None:
    """Rehearse or suggest; sends ("share", x), then ("done", result) or ("failed", sentence)."""
    try:
        if isinstance(asked, AskedLimit):
            end.send(("done", suggestion(configuration, *astuple(asked))))
        else:
            end.send(("done", run(configuration, asked, _reporting(end))))
    except (ValueError, OSError) as error:
        end.send(("failed", str(error)))


def _reporting(end: Connection) -> Progress:
    def report(share: float) -> bool:
        end.send(("share", share))
        return True

    return report


# ---- the command -----------------------------------------------------------------------------------------------


def _options(parser: ArgumentParser) -> None:
    parser.add_argument(
        "--configs", type=Path, default=Path("configs"), metavar="DIR", help="configuration folder (default: configs)"
    )
    parser.add_argument("--store", metavar="DIR", help="folder of the record (overrides works.toml)")
    parser.add_argument("--line", required=True, metavar="LINE,LINE", help="which line, or several of one kind")
    parser.add_argument(
        "--from", dest="since", metavar="TIME", help="start, e.g. 2026-03-29T06:00 (local time of the plant)"
    )
    parser.add_argument("--until", metavar="TIME", help="end, in the same form")
    parser.add_argument(
        "--drum",
        metavar="NAME",
        help="use the winding time of the newest filling of this drum instead of --from and --until",
    )
    parser.add_argument("--filling", type=int, metavar="N", help="use the winding time of this filling of the line")
    parser.add_argument("--recipe", help="recipe whose limits are changed (default: the line's only recipe)")
    parser.add_argument(
        "--set", action="append", default=[], metavar="KEY=VALUE",
        help="a limit, such as window/oven-b/temperature/hi=318; the value none removes the limit; may be repeated",
    )  # fmt: skip
    parser.add_argument(
        "--known", type=Path, metavar="FILE", help="known bad cable: CSV with the columns line, start_m, end_m, of"
    )
    parser.add_argument("--without-cure", action="store_true", help="skip the cure calculation (faster)")
    parser.add_argument("--stream", metavar="PATH", help="only the limits of this stream (fast, for long periods)")
    parser.add_argument("--suggest", metavar="LIMIT", help="deadband and delay for one, such as oven-b/temperature/HI")
    parser.add_argument(
        "--at-most", type=float, default=2.0, metavar="N", help="maximum nuisance alarms per shift (default: 2)"
    )
    parser.set_defaults(broker=None)


def _run(options: Namespace) -> int:
    try:
        configuration = configured(options)
        options.line, *more = options.line.split(",")
        for line in (options.line, *more):
            if line not in configuration.lines:
                raise ValueError(f"--line: no line {line}; this plant has {', '.join(configuration.lines)}")
        start_ms, end_ms = _span(options, configuration)
        if options.suggest:
            found = suggestion(
                configuration, options.line, options.suggest, start_ms, end_ms, options.at_most, options.recipe
            )
            print("\n".join(lines_of(found)))
            return 0
        known = known_in(options.known) if options.known else None
        changes = _changes(options, configuration)
        asked = Asked(
            line=options.line,
            start_ms=start_ms,
            end_ms=end_ms,
            changes=changes,
            with_cure=not options.without_cure,
            more_lines=tuple(more),
            known=known,
            stream=options.stream,
        )
        found_ = run(configuration, asked, _bar)
    except (ConfigurationError, ValueError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    print("\n".join(table(configuration, found_, *found_.span_ms(asked))))
    return 0


def known_in(path: Path) -> tuple[tuple[str, Fault], ...]:
    """Known bad cable from a CSV file. ValueError says what is wrong with it."""
    rows = read_table(path, ("line", "start_m", "end_m"))
    try:
        return tuple(
            (row["line"], Fault(float(row["start_m"]), float(row["end_m"]), row.get("of") or "known")) for row in rows
        )
    except ValueError as error:
        raise ValueError(f"{path}: expected metres as numbers in start_m and end_m: {error}") from error


def _bar(share: float) -> bool:
    if sys.stderr.isatty():
        print(f"\r{share:4.0%}", end="\r", file=sys.stderr, flush=True)
    return True


def _span(options: Namespace, configuration: Configuration) -> tuple[int, int]:
    if options.drum or options.filling is not None:
        reader = StoreReader(configuration.works.store, configuration)
        drum, numbers = drum_meant(reader, options.line, options.drum, options.filling)
        if len(numbers) > 1:
            print(
                f"Drum {drum.drum} of line {drum.line} was filled {len(numbers)} times, as numbers "
                f"{', '.join(map(str, numbers))}. The newest is taken, {drum.filling}; --filling takes another.",
                file=sys.stderr,
            )
        return drum.start_ms, drum.end_ms or drum.start_ms + 86_400_000
    if not options.since or not options.until:
        raise ValueError("expected a period: --from and --until, or --drum, or --filling")
    tz = ZoneInfo(configuration.works.time_zone)
    start, end = (datetime.fromisoformat(text).replace(tzinfo=tz) for text in (options.since, options.until))
    if end <= start:
        raise ValueError(f"--until {options.until} must come after --from {options.since}")
    return round(start.timestamp() * 1e3), round(end.timestamp() * 1e3)


def drum_meant(reader: StoreReader, line: str, name: str | None, number: int | None) -> tuple[DrumRow, list[int]]:
    """The filling of a number, else the newest of a name; and the numbers of all fillings that a name alone may mean.

    ValueError where there is none, or where the filling of the number has another name.
    """
    if number is not None:
        drum = reader.drum(line, number)
        if drum is None:
            raise ValueError(f"--filling: line {line} has no filling {number} on record")
        if name not in (None, drum.drum):
            raise ValueError(f"--filling: number {number} of line {line} is drum {drum.drum}, not {name}")
        return drum, [number]
    named = [d for d in reader.drums_named(name or "") if d.line == line]
    if not named:
        raise ValueError(f"--drum: no drum {name} of line {line} on record")
    return named[0], [d.filling for d in reversed(named)]


def _changes(options: Namespace, configuration: Configuration) -> dict[str, Changes]:
    if not options.set:
        return {}
    recipes = list(configuration.recipes_for(options.line))
    name = options.recipe or (recipes[0] if len(recipes) == 1 else None)
    if name not in recipes:
        raise ValueError(f"--recipe: expected one of {', '.join(recipes)}")
    changes: dict[str, float | None] = {}
    for pair in options.set:
        key, _, value = pair.partition("=")
        try:
            changes[key] = None if value == "none" else float(value)
        except ValueError:
            raise ValueError(f"--set {pair}: expected KEY=NUMBER or KEY=none") from None
    return {name: changes}


def table(configuration: Configuration, c: Comparison, start_ms: int, end_ms: int) -> list[str]:
    """The comparison as lines of text."""
    shifts = shifts_in(configuration, start_ms, end_ms)
    both = [_figures(configuration, side, start_ms, end_ms) for side in (c.before, c.after)]
    rows = [f"{'':34}{'in force':>12}{'rehearsed':>12}"]
    rows += [f"{name:34}{a:>12}{b:>12}" for name, a, b in zip(_NAMES, *(_cells(f, shifts) for f in both), strict=True)]
    rows += ["", f"{'alarm':44}{'before':>8}{'after':>8}{'removed':>9}{'new':>6}"]
    rows += [f"{m.alarm:44}{_counts(m.before, m.after)}{_counts(m.only_before, m.only_after, 9, 6)}" for m in c.alarms]
    return [*rows, "", in_words(c, shifts)]


def _counts(one: int, other: int, width: int = 8, other_width: int = 8) -> str:
    return f"{fixed(one, 0):>{width}}{fixed(other, 0):>{other_width}}"


_NAMES = ("alarms", "alarms per shift", "peak in 10 min", "floods", "chattering alarms", "fleeting", "stale")


def _cells(f: alarm_figures.AlarmFigures, shifts: float) -> list[str]:
    figures = [f.count, f.count / shifts, f.peak, len(f.floods), len(f.chattering), f.fleeting, len(f.stale)]
    return [significant(x) if isinstance(x, float) else fixed(x, 0) for x in figures]


def _figures(configuration: Configuration, side: Side, start_ms: int, end_ms: int) -> alarm_figures.AlarmFigures:
    return alarm_figures.figures(side.raised, start_ms / 1e3, end_ms / 1e3, configuration.works.alarm_figures)


def lines_of(s: Suggestion) -> list[str]:
    """A suggestion as lines of text."""
    rows = [
        f"{'deadband':>10}{'on-delay s':>12}{'nuisance':>10}{'detected':>10}{'missed':>8}{'late s':>8}{'worst s':>9}"
    ]
    for c in s.tried:
        mark = " *" if c == s.chosen else ""
        rows.append(
            f"{significant(c.deadband, 4):>10}{exact(c.on_delay_s):>12}{_counts(c.nuisance, c.detected, 10, 10)}"
            f"{fixed(c.missed, 0):>8}{significant(c.delay_median_s):>8}{significant(c.delay_worst_s):>9}{mark}"
        )
    return [*rows, "", s.why]


COMMAND = Command(SUMMARIES["rehearse"], _options, _run)
