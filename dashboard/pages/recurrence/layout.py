"""Layout of Recurring faults: periods, the fold, suspected part, preceding conditions, effect of maintenance."""

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import parse_qs

import dash_mantine_components as dmc
import numpy as np
from dash import html
from dash.development.base_component import Component

from dashboard.components import Children, attributes
from dashboard.components.chart import chart
from dashboard.components.heading import heading
from dashboard.components.table import table
from dashboard.context import Context
from dashboard.figures.recurrence import fold_figure, score_figure
from dashboard.text import alarm_text, format
from dashboard.text.format import exact, fixed, percent, significant
from monitor.analysis.preceding import preceding_conditions
from monitor.analysis.rotating_parts import PartRanking, rank
from monitor.analysis.shift_calendar import shifts_between
from monitor.analysis.signal_along import along
from monitor.contract.config import titles
from monitor.contract.config.line import Line
from monitor.contract.reading import DrumRow, Trend
from monitor.contract.record import Finding, FindingKind, Floats
from monitor.contract.topics import Stream
from monitor.contract.units import convert
from monitor.evidence.inherited import names_apart
from monitor.statistics import rates
from monitor.statistics import recurrence as recur
from monitor.statistics.recurrence import ALPHA, Found, NoPeriod
from monitor.statistics.waves import Wave, above_floor, find_wave

DRUMS = {"3": "newest 3 drums", "10": "10 drums", "30": "30 drums", "100": "100 drums"}
RESOLUTION_M = 0.1  # accuracy of a fault's position
SIGNAL_M = 0.1  # grid of a diameter
LEAST, MOST = 0.4, 20.0
SPAN = 0.03  # range of the slider to each side
CLOCKS = {"metres": "metre", "seconds": "second", "undetermined": "undetermined"}
WANDERS = "peak above the noise floor; slow drift is not counted as a period"


@dataclass(frozen=True, slots=True)
class ChosenCable:
    """Some drums of a line, end to end."""

    line: Line
    drums: list[DrumRow]
    start_m: float
    end_m: float

    @property
    def span_ms(self) -> tuple[int, int]:
        return self.drums[0].start_ms, max(d.end_ms or 2**53 for d in self.drums)


def content(context: Context) -> Children:
    """Choices and the form for maintenance; results come by callbacks."""
    lines = context.configuration.lines
    first = busiest(context)
    return [
        html.Div(
            heading("Recurring faults", "Which faults return at a regular spacing?"),
            className="top",
            **attributes(page="recurring"),
        ),
        html.Div(
            [
                _select("recurring-line", "Line", {n: x.title for n, x in lines.items()}, first.line, 180),
                _select("recurring-what", "Fault or signal", kinds(lines[first.line]), first.what, 250),
                _select("recurring-drums", "Drums", DRUMS, first.drums, 170),
                _number("recurring-least", "Search spacing from, m", LEAST),
                _number("recurring-most", "to, m", MOST),
            ],
            className="controls",
        ),
        html.Div(html.P("Searching for periods.", className="note"), id="recurring-answer"),
        html.Div(
            [
                html.Div([html.H2("Folded by period: one revolution per row"),
                          html.P(id="recurring-fold-caption", className="note")]),
                dmc.Slider(id="recurring-period", value=1.0, min=0.5, max=2.0, step=0.0001, disabled=True, w=420,
                           updatemode="mouseup"),
            ],
            className="beside",
        ),
        chart("recurring-fold", fold_figure(np.empty(0), 1.0, "m")),
        html.Div(id="recurring-more"),
        html.H2("Maintenance log"),
        html.Div(
            [
                dmc.TextInput(
                    id="recurring-by", debounce=True, label="Your name", persistence=True, persistence_type="local",
                    w=170
                ),
                dmc.Select(id="recurring-station", label="Station", searchable=True, w=200),
                dmc.TextInput(id="recurring-done", debounce=True, label="Maintenance carried out", w=420),
                dmc.Button("Save", id="recurring-note", variant="default"),
                html.P(id="recurring-message", className="message", role="alert"),
            ],
            className="controls",
        ),
        html.Div(id="recurring-work"),
    ]  # fmt: skip


def _select(name: str, label: str, choices: dict[str, str], value: str, width: int) -> dmc.Select:
    data = [{"value": k, "label": v} for k, v in choices.items()]
    return dmc.Select(id=name, label=label, data=data, value=value, allowDeselect=False, w=width)


def _number(name: str, label: str, value: float) -> dmc.NumberInput:
    return dmc.NumberInput(id=name, label=label, value=value, min=0.05, w=130, debounce=300)


def kinds(line: Line) -> dict[str, str]:
    """What may recur: events of each check, marks, findings of windows, and diameters as signals."""
    found = {f"fault:{s.path}": titles.stream_title(line, s.path) for s in line.stream if s.kind == "events"}
    found["mark:"] = "Marked metres"
    found["window:"] = "Start of limit violations"
    gauges = [s.path for s in line.stream if s.unit == "mm"]
    found |= {f"signal:{path}": f"{titles.stream_title(line, path)}, as a signal" for path in gauges}
    cycling = [s for s in line.stream if s.kind == "samples" and s.unit != "mm" and s.path != line.counter.stream]
    return found | {f"cycle:{s.path}": f"{titles.stream_title(line, s.path)}, in seconds" for s in cycling}


@dataclass(frozen=True, slots=True)
class RecurrenceChoice:
    """The choice: a line, one of its `kinds`, and over how many of the newest drums."""

    line: str
    what: str
    drums: str


def busiest(context: Context, only: str | None = None) -> RecurrenceChoice:
    """The kind with most events of all lines, or of one, over the fewest drums with enough of them for a period."""
    lines = [only] if only else list(context.configuration.lines)
    best, most = RecurrenceChoice(lines[0], next(iter(kinds(context.configuration.lines[lines[0]]))), "10"), 0
    for drums in ("10", "30", "100"):
        for line in lines:
            what, count = _most_frequent(context, line, drums)
            if count > most:
                best, most = RecurrenceChoice(line, what, drums), count
        if most >= recur.FEWEST:
            break
    return best


def _most_frequent(context: Context, line: str, drums: str) -> tuple[str, int]:
    of = cable(context, line, drums)
    if of is None:
        return "", 0
    known = kinds(of.line)
    found = context.record.findings(line, of.start_m, of.end_m)
    names = [f"{f.kind}:{f.stream}" if f.kind is FindingKind.FAULT else f"{f.kind}:" for f in found]
    counts = Counter(name for name in names if name in known)
    return counts.most_common(1)[0] if counts else ("", 0)


def asked(context: Context, search: str) -> RecurrenceChoice | None:
    """What an address such as `?line=core-1&what=mark:&drums=30` asks for; None where it asks for no line."""
    query = parse_qs(search.removeprefix("?"), keep_blank_values=True)
    line, what, drums = (query.get(name, [""])[0] for name in ("line", "what", "drums"))
    if line not in context.configuration.lines:
        return None
    usual = busiest(context, line)
    known = kinds(context.configuration.lines[line])
    return RecurrenceChoice(line, what if what in known else usual.what, drums if drums in DRUMS else usual.drums)


def cable(context: Context, line: str, drums: str) -> ChosenCable | None:
    """The newest drums of a line that follow each other."""
    newest = list(context.record.drums(line, int(drums)))[::-1]
    if not newest:
        return None
    end = newest[-1].end_m if newest[-1].end_m is not None else np.inf
    return ChosenCable(context.configuration.lines[line], newest, newest[0].start_m, end)


def events(context: Context, of: ChosenCable, what: str) -> list[Finding]:
    """Findings of a kind, in order of metre."""
    kind, _, path = what.partition(":")
    found = context.record.findings(of.line.line, of.start_m, of.end_m)
    return sorted((f for f in found if f.kind == kind and path in ("", f.stream)), key=_at)


def _at(f: Finding) -> float:
    return f.start_m if f.kind is FindingKind.WINDOW or f.end_m is None else (f.start_m + f.end_m) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class RecurrenceResult:
    """What the page shows, and what the fold needs."""

    parts: Children
    more: Children
    x: Floats
    shade: Floats | None
    shade_at: Floats | None
    period: float | None
    unit: str = "m"


def _no_result(reason: str) -> RecurrenceResult:
    return RecurrenceResult(parts=[html.P(reason)], more=[], x=np.empty(0), shade=None, shade_at=None, period=None)


def answer(context: Context, line: str, what: str, drums: str, least: float, most: float) -> RecurrenceResult:
    """The period, alternative periods, the clock and the part; then preceding conditions and origin of faults."""
    of = cable(context, line, drums)
    if of is None:
        return _no_result("No drum of this line is recorded yet.")
    if not 0 < least < most:
        return _no_result("Search spacing: the first value must be below the second.")
    kind, _, path = what.partition(":")
    if kind == "signal":
        counter, moving = (_recorded(context, of, p) for p in (of.line.counter.stream, of.line.counter.speed))
        at, v = along(of.line, _recorded(context, of, path), counter, moving, SIGNAL_M)
        return _signal(context, of, path, Signal(at, v, SIGNAL_M, "metres"), least, most)
    if kind == "cycle":
        return _signal(context, of, path, in_time(context, of, path), least, most)
    found_events = events(context, of, what)
    x, t = np.array([_at(f) for f in found_events]), np.array([f.start_s for f in found_events])
    found, grid = recur.find(x, least, most, RESOLUTION_M)
    speed = _speed(x, t)
    seconds, _ = recur.find(t, least / speed, most / speed, RESOLUTION_M / speed)
    clock = recur.which_clock(found, seconds, x, t, _spread(x, t)) if len(x) > 3 else None
    shown: Children = [_verdict(found, len(x), "events")]
    if isinstance(found, Found):
        verdict = rank(of.line.rotating_part, found.period, found.low, found.high, search=np.log(most / least))
        shown += [*_named(of.line, verdict, found, clock), _drift(x, found.period)]
    elif clock is not None and isinstance(seconds, Found):
        text = f"Period in time {significant(seconds.period, 4)} s: {clock.why}."
        shown.append(html.P(text, className="outcome", id="recurring-part"))
        screws = _rpm(context, of)
        verdict = rank(of.line.rotating_part, seconds.period, seconds.low, seconds.high, "seconds", screws)
        shown.append(html.P(f"{verdict.why}.", className="note"))
    if grid is not None:
        needed = float(np.log(grid.trials / ALPHA))
        shown.append(
            chart(
                "recurring-scores",
                score_figure(grid.period, grid.score, needed, found.period if isinstance(found, Found) else None,
                             _turns(of.line), "m", "-ln of probability"),
            )
        )  # fmt: skip
    shown.append(_rivals(found))
    more = [
        *_before(context, of, x), *_by_place(context, of, x, t), *_by_shift(context, of, found_events),
        *_paretos(context, of),
    ]  # fmt: skip
    period = found.period if isinstance(found, Found) else found.best
    return RecurrenceResult(parts=shown, more=more, x=x, shade=None, shade_at=None, period=period)


@dataclass(frozen=True, slots=True)
class Signal:
    """A stream on a regular grid of a clock, NaN where there are no data."""

    at: Floats
    v: Floats
    spacing: float
    clock: str

    @property
    def unit(self) -> str:
        return "m" if self.clock == "metres" else "s"


def _recorded(context: Context, of: ChosenCable, path: str) -> Trend:
    start, end = of.span_ms
    return context.record.samples(Stream(of.line.line, *path.split("/")), start, min(end, context.now_ms))


def in_time(context: Context, of: ChosenCable, path: str) -> Signal:
    """A stream at its own interval, from its samples."""
    spacing = float(of.line.streams[path].interval_s or 1.0)
    recorded = _recorded(context, of, path)
    if len(recorded.v) < 2:
        return Signal(np.empty(0), np.empty(0), spacing, "seconds")
    cell = np.rint((recorded.t_ms - recorded.t_ms[0]) / 1e3 / spacing).astype(np.int64)
    v = np.full(min(int(cell[-1]) + 1, 20_000_000), np.nan)
    v[cell[cell < len(v)]] = recorded.v[cell < len(v)]
    return Signal(np.arange(len(v), dtype=np.float64) * spacing, v, spacing, "seconds")


def _signal(
    context: Context, of: ChosenCable, path: str, signal: Signal, least: float, most: float
) -> RecurrenceResult:
    at, v, nothing = signal.at, signal.v, np.empty(0)
    if len(v) < 100:
        return _no_result("Not enough data in the selected drums.")
    found, power = find_wave(v, signal.spacing, least, most)
    readings = f"readings every {exact(signal.spacing)} {signal.unit}"
    shown: Children = [_verdict(found, int(np.isfinite(v).sum()), readings, signal.unit)]
    if isinstance(found, Wave):
        unit = format.unit(of.line.streams[path].unit)
        verdict = rank(
            of.line.rotating_part, found.period, found.low, found.high, signal.clock, _rpm(context, of),
            np.log(most / least),
        )  # fmt: skip
        shown += _named(of.line, verdict, found, None, signal.unit)
        text = (
            f"Amplitude {significant(found.amplitude)} {unit}; {fixed(found.above_floor, 0)} times its "
            f"floor: {WANDERS}."
        )
        shown.append(html.P(text, className="note"))
    if power is not None:
        inside = (power.period >= least) & (power.period <= most)
        score = np.asarray(above_floor(power)[inside])
        shown.append(
            chart(
                "recurring-scores",
                score_figure(power.period[inside], score, float(np.log(len(score) / ALPHA)),
                             found.period if isinstance(found, Wave) else None,
                             _turns(of.line) if signal.clock == "metres" else [], signal.unit, "power over its floor"),
            )
        )  # fmt: skip
    shown.append(_rivals(found))
    period = found.period if isinstance(found, Wave) else found.best
    return RecurrenceResult(parts=shown, more=[], x=nothing, shade=v, shade_at=at, period=period, unit=signal.unit)


def _speed(x: Floats, t: Floats) -> float:
    return float(max((x[-1] - x[0]) / max(t[-1] - t[0], 1e-9), 1e-3)) if len(x) > 1 else 1.0


def _spread(x: Floats, t: Floats) -> float:
    """How much the speed changed between events, over its mean."""
    dt = np.diff(t)
    v = np.diff(x)[dt > 0] / dt[dt > 0]
    return float(v.std() / v.mean()) if len(v) > 1 and v.mean() > 0 else 0.0


def _rpm(context: Context, of: ChosenCable) -> dict[str, float]:
    """Mean speed of each drive of a rotating part."""
    found = {}
    for part in of.line.rotating_part:
        if part.speed_stream and part.speed_stream not in found:
            v = _recorded(context, of, part.speed_stream).v
            if np.isfinite(v).any():
                found[part.speed_stream] = float(np.nanmedian(v))
    return found


def _verdict(found: Found | Wave | NoPeriod, count: int, of: str, unit: str = "m") -> html.P:
    if isinstance(found, NoPeriod):
        return html.P(f"{format.number(count, '', 0)} {of}: {found.why}.", className="outcome", id="recurring-outcome")
    share = f"; fits {percent(found.share)} of events" if isinstance(found, Found) else ""
    text = (
        f"Period {significant(found.period, 4)} {unit} ({fixed(found.low, 4)} to {fixed(found.high, 4)}){share}. "
        f"False-alarm probability {_once(found.false_alarm)}."
    )
    return html.P(text, className="outcome", id="recurring-outcome")


def _once(chance: float) -> str:
    return "below 1 in 1\u202f000\u202f000" if chance < 1e-6 else f"1 in {significant(1 / chance)}"


def _named(
    line: Line, verdict: PartRanking, found: Found | Wave, clock: recur.Clock | None, unit: str = "m"
) -> Children:
    rows = [
        [
            c.part.title or c.part.name,
            titles.station_title(line, c.part.station),
            c.marks,
            f"{fixed(c.period, 4)} {unit}",
            fixed(c.away, 1, sign=True),
            percent(c.weight, 1),
        ]
        for c in verdict.candidates
        if abs(c.away) < 30
    ]
    rows.append(["none of the listed parts", "", "", "", "", percent(verdict.none, 1)])
    text = f"{verdict.why[:1].upper()}{verdict.why[1:]}."
    if clock is not None:
        text += f" Repeats per: {CLOCKS[clock.word]} ({clock.why})."
    return [
        html.P(text, className="outcome", id="recurring-part"),
        table(
            "Rotating parts of this line against the period; difference in standard deviations (wear and measurement "
            "combined)",
            ["Part", "Station", "Marks per revolution", "Expected spacing", "Difference (sigma)", "Probability"],
            rows, empty="",
            numeric=(2, 3, 4, 5),
        ),
    ]  # fmt: skip


def _drift(x: Floats, period: float) -> html.P:
    found = recur.drift(x, period)
    if found is None:
        return html.P("Too few events to follow the phase along the cable.", className="note")
    steady = "the phase is constant" if found.straight else "the phase drifts"
    return html.P(
        f"Along these drums {steady}; the period changed by {fixed(found.period_change * 100, 3, sign=True)} %.",
        className="note",
    )


def _turns(line: Line) -> list[tuple[str, float]]:
    return [(p.title or p.name, p.circumference_m) for p in line.rotating_part if p.circumference_m]


def _rivals(found: Found | Wave | NoPeriod) -> Component:
    if isinstance(found, NoPeriod) or not found.rivals:
        return html.P("")
    rows = [[fixed(r.period, 4), r.relation, _once(r.false_alarm)] for r in found.rivals]
    return table(
        "Alternative periods: a period cannot be distinguished from its fractions, so the longest that fits is "
        "reported",
        ["Period", "Relation to reported period", "False-alarm probability"], rows, empty="", numeric=(0,),
    )  # fmt: skip


# ---- more --------------------------------------------------------------------------------------------------------


def _before(context: Context, of: ChosenCable, x: Floats) -> Children:
    if not len(x):
        return []
    end = of.end_m if np.isfinite(of.end_m) else float(x.max()) + 100
    rows = context.record.rows(of.line.line, of.start_m, end)
    metre = np.asarray(rows.get("line_metre", ()))
    if len(metre) < 200:
        return []
    skipped = {s.path for s in of.line.stream if s.kind == "events"} | {"line_metre"}
    columns = {n: np.asarray(v, float) for n, v in rows.items() if n not in skipped and not n.startswith("cure/")}
    speed = float(np.nanmean(columns[of.line.counter.speed])) if of.line.counter.speed in columns else np.nan
    m_per_s = convert(speed, of.line.speed_unit, "m/s")
    places = sorted({int(m) for m in np.floor(x) - metre[0] if 0 <= m < len(metre)})
    try:
        found = preceding_conditions(columns, places)
    except ValueError as error:
        return [html.H2("Conditions before the fault"), html.P(f"{str(error).capitalize()}.", className="note")]
    shown = [
        [_column_title(of.line, d.stream), fixed(d.largest, 1, sign=True), _offset(d.offset_m, m_per_s),
         fixed(d.chance, 3), "differs" if d.chance < 0.05 else ""]
        for d in found[:8]
    ]  # fmt: skip
    return [
        html.H2("Conditions before the fault"),
        table(
            f"{len(places)} faulty metres averaged and compared with fault-free metres of the same drums; "
            f"probabilities corrected for {len(found)} streams",
            ["Stream at the metre", "Difference (sigma)", "Largest at", "Probability by chance", "Result"], shown,
            empty="",
            numeric=(1, 3),
        ),
    ]  # fmt: skip


def _column_title(line: Line, name: str) -> str:
    if name.startswith("dwell/"):
        return f"Dwell in {titles.inside(titles.station_title(line, name.removeprefix('dwell/')))}"
    path, _, end = (name, "", "")
    for tail in ("/min", "/max"):
        if name.endswith(tail):
            path, end = name.removesuffix(tail), {"/min": ", min", "/max": ", max"}[tail]
    return titles.stream_title(line, path) + end


def _offset(m: float, m_per_s: float) -> str:
    """Lead in metres of drum, and in seconds at the mean speed of these drums."""
    if m == 0:
        return "at the fault"
    seconds = f", {fixed(abs(m) / m_per_s, 1)} s," if m_per_s > 0 else ""
    return f"{fixed(abs(m), 0)} m{seconds} {'earlier' if m < 0 else 'later'} on the drum"


def _by_place(context: Context, of: ChosenCable, x: Floats, t: Floats) -> Children:
    """Whether faults cluster at one position of every drum, or at one time of day."""
    ended = [d for d in of.drums if d.end_m is not None]
    spans = [(d.start_m, d.end_m) for d in ended if d.end_m is not None]
    shares = np.array([(m - a) / (b - a) for a, b in spans for m in x if a <= m < b])
    sentences = []
    if len(shares) >= recur.FEWEST and len(ended) > 1:
        length, at = recur.mean_resultant(2 * np.pi * shares)
        chance = recur.rayleigh_p(len(shares), length)
        where = f"most at {percent(at / (2 * np.pi))} of the length" if chance < ALPHA else "evenly spread"
        sentences.append(f"Position on the drum: {where} (probability by chance {significant(chance, 2)}).")
    if len(t) >= recur.FEWEST and t[-1] - t[0] > 2 * 86_400:
        local = np.array([format.local_hour(round(s * 1e3), context.zone) for s in t])
        length, at = recur.mean_resultant(2 * np.pi * local / 24)
        chance = recur.rayleigh_p(len(t), length)
        when = f"most around {round(at / (2 * np.pi) * 24) % 24:02d}:00" if chance < ALPHA else "evenly spread"
        sentences.append(f"Time of day: {when} (probability by chance {significant(chance, 2)}).")
    return [html.P(" ".join(sentences), className="note")] if sentences else []


def _by_shift(context: Context, of: ChosenCable, found: Sequence[Finding]) -> Children:
    works = context.configuration.works
    start, end = of.span_ms
    end = min(end, context.now_ms)
    spans = shifts_between(start, end, works.shift, works.time_zone)
    names = list(dict.fromkeys(s.name for s in works.shift))
    if len(names) < 2 or not found or len({s.name for s in spans}) < 2:
        return []
    lengths, counts = dict.fromkeys(names, 0.0), dict.fromkeys(names, 0)
    for d in of.drums:
        d_end_ms, d_end_m = d.end_ms or end, d.end_m
        if d_end_m is None:
            continue
        for s in spans:
            inside = max(0, min(s.end_ms, d_end_ms) - max(s.start_ms, d.start_ms))
            lengths[s.name] += (d_end_m - d.start_m) * inside / max(d_end_ms - d.start_ms, 1)
    for f in found:
        name = next((s.name for s in spans if s.start_ms <= f.start_s * 1e3 < s.end_ms), None)
        if name:
            counts[name] += 1
    if sum(lengths.values()) <= 0:
        return []
    compared = recur.by_shift(names, [counts[n] for n in names], [lengths[n] for n in names])
    rows = [
        [n, c, f"{fixed(x / 1000, 1)} km", significant(1000 * c / x) if x else format.NO_VALUE]
        for n, c, x in zip(compared.names, compared.counts, compared.lengths, strict=True)
    ]
    caption = (
        f"By shift; probability of this difference if all shifts had the same rate: {significant(compared.chance, 2)}"
    )
    return [table(caption, ["Shift", "Faults", "Length produced", "Per km"], rows, empty="", numeric=(1, 2, 3))]


PARETOS = ("line", "station", "product", "drum")


def _paretos(context: Context, of: ChosenCable) -> Children:
    """Pareto of faults on the newest drums of every line, by place and product."""
    newest = {name: context.record.drums(name, len(of.drums)) for name in context.configuration.lines}
    called = names_apart(d.key for drums in newest.values() for d in drums)
    everywhere = [
        _origins(context, drum, f, called[drum.key])
        for name, drums in newest.items()
        for drum, f in _faults_on(context, name, drums)
    ]
    if not everywhere:
        return []
    blocks = []
    for place, title in enumerate(PARETOS):
        bars = rates.pareto((one[place] for one in everywhere), 8)
        rows = [[b.name, b.count, percent(b.upto)] for b in bars]
        head = [title.capitalize(), "Faults", "Cumulative"]
        blocks.append(table(f"By {title}", head, rows, empty="", numeric=(1, 2)))
    return [html.H2("Origin of faults"), html.Div(blocks, className="beside-blocks")]


def _faults_on(context: Context, line: str, drums: Sequence[DrumRow]) -> list[tuple[DrumRow, Finding]]:
    """Each fault of a line with the drum that its middle lies on, of those given, newest first."""
    along_line = sorted(drums, key=lambda d: d.start_m)
    if not along_line:
        return []
    ends = [np.inf if d.end_m is None else d.end_m for d in along_line]
    starts = [d.start_m for d in along_line]
    found = []
    for f in context.record.findings(line, starts[0], max(ends)):
        place = bisect_right(starts, _at(f)) - 1
        if f.kind is FindingKind.FAULT and place >= 0 and _at(f) < ends[place]:
            found.append((along_line[place], f))
    return found


def _origins(context: Context, drum: DrumRow, f: Finding, called: str) -> tuple[str, str, str, str]:
    """What a fault is counted under, in the order of `PARETOS`; a station with its line, since lines share names."""
    line, recipe = context.configuration.lines[drum.line], context.configuration.recipes.get(drum.recipe)
    station = f"{titles.station_title(line, f.stream.split('/')[0])}, {titles.inside(line.title)}"
    return line.title, station, recipe.title if recipe else drum.recipe, called


# ---- maintenance -------------------------------------------------------------------------------------------------


def work(context: Context, line: str, what: str, drums: str) -> Children:
    """Maintenance on a line, and whether faults became fewer since."""
    of = cable(context, line, "100")
    if of is None:
        return []
    everything = context.record.findings(line, of.start_m, of.end_m)
    done = sorted((f for f in everything if f.kind is FindingKind.WORK), key=lambda f: -f.start_s)
    now = context.line_now(line)
    newest_m = now.line_metre if now else (of.end_m if np.isfinite(of.end_m) else of.start_m)
    kind = what if not what.startswith(("signal:", "cycle:")) else next(iter(kinds(of.line)))
    x = np.array([_at(f) for f in events(context, of, kind)])
    rows = [_effect(context, of, f, done, x, newest_m) for f in done[:20]]
    parts_: Children = [
        table(
            "Maintenance, newest first: faults per km between the previous and the next entry (exact Poisson test)",
            ["When", "Station", "Maintenance", "Before", "After", "Ratio after/before (95 % CI)",
             "Probability by chance", "Result"], rows,
            empty="No maintenance recorded on this line yet.", numeric=(3, 4, 5, 6),
        )
    ]  # fmt: skip
    changed = rates.changed_at(x, of.start_m, newest_m) if newest_m > of.start_m else None
    if changed is not None and changed.chance < 0.05:
        parts_.append(html.P(
            f"The rate changed at line metre {fixed(changed.at, 0)} ({fixed(changed.low, 0)} to "
            f"{fixed(changed.high, 0)}): from {significant(changed.before_per_km)} to "
            f"{significant(changed.after_per_km)} per km; probability by chance {fixed(changed.chance, 3)}.",
            className="note",
        ))  # fmt: skip
    return parts_


def _effect(
    context: Context, of: ChosenCable, f: Finding, done: Sequence[Finding], x: Floats, newest_m: float
) -> Children:
    same = sorted(g.start_m for g in done)
    place = same.index(f.start_m)
    start = same[place - 1] if place else of.start_m
    end = same[place + 1] if place + 1 < len(same) else newest_m
    head = [
        format.local(round(f.start_s * 1e3), context.zone, day=True),
        titles.station_title(of.line, f.stream.split("/")[0]),
        alarm_text.signed(f),
    ]
    if f.start_m <= start or end <= f.start_m:
        return [*head, "", "", "", "", "not enough production before or after"]
    before, after = (int(((x >= a) & (x < b)).sum()) for a, b in ((start, f.start_m), (f.start_m, end)))
    c = rates.rate_change(before, f.start_m - start, after, end - f.start_m)
    per_km = [f"{significant(1000 * n / m)} ({n})" for n, m in ((before, f.start_m - start), (after, end - f.start_m))]
    ratio = (
        "" if c.ratio != c.ratio else f"{fixed(c.ratio, 2)} ({fixed(c.interval.low, 2)} to {fixed(c.interval.high, 2)})"
    )
    return [*head, *per_km, ratio, significant(c.chance), c.word]
