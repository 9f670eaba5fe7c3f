"""Layout of Shift: every line in one shift with drum changes, length, stops, indicators, and handover notes."""

from collections.abc import Sequence
from dataclasses import dataclass

import dash_mantine_components as dmc
from dash import dcc, html

from dashboard.components import Children, attributes
from dashboard.components.heading import heading
from dashboard.components.table import table
from dashboard.context import Context
from dashboard.queries.live import UNACKNOWLEDGED
from dashboard.text import alarm_text, format
from dashboard.text.addresses import way_to
from dashboard.text.format import fixed, percent
from monitor.analysis.activations import of_rows
from monitor.analysis.lengths import metres_by_verdict
from monitor.analysis.shift import (
    UNKNOWN,
    Indicators,
    Stop,
    in_state_s,
    indicators,
    producing_s,
    stops,
    with_silence,
)
from monitor.analysis.shift_calendar import ShiftSpan, shift_at, shifts_between
from monitor.contract import bounds
from monitor.contract.config.line import Line
from monitor.contract.reading import AlarmRow, NowRow
from monitor.contract.record import SILENCE_ALARM, Finding, FindingKind, Verdict
from monitor.evidence.held import reasons_beside_metres
from monitor.evidence.inherited import lineage_of, ribbons
from monitor.evidence.source import length_m
from monitor.evidence.verdict_runs import lengths_m

DAY_MS = 86_400_000
LISTED = 12
STOPS_LISTED, NOTES_LISTED = 20, 10
LATELY = 200  # the newest drums that are looked at for what ended in a shift
DECISIONS = 500  # the newest that are looked at for what is held
MOST = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class LineShift:
    """One line's figures in a shift; lengths in m by verdict word."""

    line: Line
    metres: dict[str, float]
    stops: list[Stop]
    measures: Indicators | None
    state: str
    drum_change_due: str
    drum: str
    no_data_s: float


def content(context: Context) -> Children:
    """Which shift; the rest comes by a callback."""
    choices = _choices(context)
    return [
        html.Div(heading("Shift", "What is handed over?"), className="top no-print", **attributes(page="shift")),
        html.Div(
            [dmc.Select(id="shift-which", label="Shift", data=choices, value=choices[0]["value"] if choices else None,
                        allowDeselect=False, w=260)],
            className="controls no-print",
        ),
        html.Div(id="shift-answer"),
        html.Div(
            [
                html.H2("Handover note"),
                html.Div(
                    [
                        dmc.TextInput(
                            id="shift-by", debounce=True, label="Your name", persistence=True,
                            persistence_type="local", w=190,
                        ),
                        dmc.Textarea(
                            id="shift-words", debounce=400, label="Note for the next shift", autosize=True,
                            minRows=2, w=620, persistence=True, persistence_type="local",
                            description=f"At most {bounds.WORDS} characters, kept on this device until signed.",
                        ),
                        dmc.Button("Sign and hand over", id="shift-sign", variant="default"),
                        html.P(id="shift-message", className="message", role="alert"),
                    ],
                    className="controls",
                ),
            ],
            className="no-print",
        ),
        html.Div(id="shift-handovers"),
    ]  # fmt: skip


def _choices(context: Context) -> list[dict[str, str]]:
    works = context.configuration.works
    now = context.now_ms
    spans = shifts_between(now - 3 * DAY_MS, now + 1, works.shift, works.time_zone)[::-1]
    return [{"value": str(s.start_ms), "label": s.title + (" (now)" if s.end_ms > now else "")} for s in spans[:LISTED]]


def answer(context: Context, start: str | None) -> Children:
    """The whole works in one shift."""
    works = context.configuration.works
    span = shift_at(int(start), works.shift, works.time_zone) if start else None
    if span is None:
        return [
            html.P("This plant has no shifts: add [[shift]] with name and begins to works.toml.", className="outcome")
        ]
    until = min(span.end_ms, context.now_ms)
    found = [of_line(context, line, span, until) for line in context.configuration.lines.values()]
    good = sum(x.metres[Verdict.CONFORMING.word] for x in found)
    total = sum(sum(x.metres.values()) for x in found)
    open_ = list(context.record.alarms_now())
    decisions = context.record.findings_of_kind(FindingKind.DECISION, DECISIONS)
    asking = [a for a in open_ if a.state in UNACKNOWLEDGED]
    head = (
        f"{works.title}: shift {span.title}, {format.local(span.start_ms, context.zone, day=True)} to "
        f"{format.local(span.end_ms, context.zone)}"
    )
    return [
        html.P(head, className="shift-head"),
        html.P(
            f"{format.number(total, 'm')} m made, {format.number(good, 'm')} m conforming. "
            + (f"Unacknowledged alarms: {len(asking)}." if asking else "No unacknowledged alarms."),
            className="outcome", id="shift-outcome",
        ),
        _made(found),
        _ran(found),
        _stops(context, found),
        _open(context, open_),
        _held(context, decisions),
        _by_rule(context, decisions, span.start_ms, until),
        html.P(
            "Length is counted at the take-up during this shift. Availability, effectiveness, quality and OEE as "
            "ISO 22400-2 defines them, by length: planned busy time is the shift so far, nominal speed the "
            "recipe's. Time without data counts as not producing. An effectiveness above 1 means that the nominal "
            "speed in the recipe is set too low.", className="note",
        ),
    ]  # fmt: skip


def of_line(context: Context, line: Line, span: ShiftSpan, until_ms: int) -> LineShift:
    """One line's shift, from the record."""
    name, offset = line.line, line.counter_m - line.take_up_m
    end = context.record.metre_at(name, until_ms)
    states = with_silence(context.record.states(name, span.start_ms, until_ms), silent(context, name, span, until_ms))
    metres = {v.word: 0.0 for v in Verdict}
    if end is not None:
        times = [span.start_ms, *(max(t_ms, span.start_ms) for t_ms, _, _ in states)]
        known = (context.record.metre_at(name, t_ms) for t_ms in times)
        start = next((m for m in known if m is not None), end)
        metres = made(context, name, start + offset, end + offset)
    halts = stops(states, span.start_ms, until_ms)
    now = context.line_now(name)
    recipe = context.recipe_now(name)
    measures = None
    if recipe is not None and until_ms > span.start_ms and states:
        nominal = recipe.setpoints.speed_m_per_min / 60
        planned = (until_ms - span.start_ms) / 1e3
        busy = min(producing_s(states, span.start_ms, until_ms), planned)
        measures = indicators(planned, busy, sum(metres.values()), metres[Verdict.CONFORMING.word], nominal)
    return LineShift(
        line=line,
        metres=metres,
        stops=halts,
        measures=measures,
        state=now.state if now else "no data received yet",
        drum_change_due=drum_change_due(context, line, now),
        drum=now.drum or "" if now else "",
        no_data_s=in_state_s(states, span.start_ms, until_ms, (UNKNOWN,)),
    )


def made(context: Context, line: str, start_m: float, end_m: float) -> dict[str, float]:
    """Metres by verdict wound on drums over an interval; cable on no drum is leader and does not count."""
    total = {v.word: 0.0 for v in Verdict}
    for drum in context.record.drums_between(line, start_m, end_m):
        span = max(drum.start_m, start_m), min(end_m, drum.end_m if drum.end_m is not None else end_m)
        for word, length in metres_by_verdict(*context.record.verdicts(line, *span), *span).items():
            total[word] += length
    return total


def silent(context: Context, line: str, span: ShiftSpan, until_ms: int) -> list[tuple[int, int]]:
    """Spans of a shift in which a line sent no data: its alarm is raised some seconds after the last message."""
    settings = context.configuration.lines[line].silence
    rows = context.record.alarm_changes(line, span.start_ms - DAY_MS, until_ms, MOST)
    after_ms = round((settings.after_s if settings else 0.0) * 1e3)
    spans = [
        (round(r.t_s * 1e3) - after_ms, until_ms if r.end_s is None else round(r.end_s * 1e3))
        for r in of_rows(rows)
        if r.alarm == SILENCE_ALARM
    ]
    return [(max(a, span.start_ms), min(b, until_ms)) for a, b in spans if b > span.start_ms]


def drum_change_due(context: Context, line: Line, now: NowRow | None) -> str:
    """When the drum that is being wound will be full at the present speed."""
    if now is None or now.planned_length_m is None or now.drum_start_m is None:
        return format.NO_VALUE
    wound = now.line_metre + line.counter_m - line.take_up_m - now.drum_start_m
    left = now.planned_length_m - wound
    if left <= 0:
        return "now"
    if now.speed_m_per_s < 0.05:
        return f"{format.number(left, 'm')} m remaining, line stopped"
    return format.local(round(now.t_ms + left / now.speed_m_per_s * 1e3), context.zone)


SORTED = (Verdict.CONFORMING, Verdict.SUSPECT, Verdict.NONCONFORMING, Verdict.UNVERIFIED)
NO_LINE = "No line is configured."


def _made(found: list[LineShift]) -> html.Div:
    rows = [
        [_link(x), x.state, x.drum, x.drum_change_due, *(format.number(x.metres[v.word], "m") for v in SORTED)]
        for x in found
    ]
    heads = ["Line", "State", "Drum", "Drum change due", *(f"{v.word.capitalize()} m" for v in SORTED)]
    return table("Production by line", heads, rows, empty=NO_LINE, numeric=(4, 5, 6, 7))


def _ran(found: list[LineShift]) -> html.Div:
    rows = []
    for x in found:
        minutes = [f"{fixed(s / 60, 0)} min" for s in (sum(stop.duration_s for stop in x.stops), x.no_data_s)]
        rows.append([_link(x), len(x.stops), *minutes, *_shares(x.measures)])
    heads = ["Line", "Stops", "Stop time", "No data", "Availability", "Effectiveness", "Quality", "OEE"]
    return table("Running time by line", heads, rows, empty=NO_LINE, numeric=tuple(range(1, 8)))


def _link(of: LineShift) -> dcc.Link:
    return dcc.Link(of.line.title, href=f"/line/{of.line.line}")


def _shares(measures: Indicators | None) -> list[str]:
    if measures is None:
        return [format.NO_VALUE] * 4
    return [percent(k, 1) for k in (measures.availability, measures.effectiveness, measures.quality, measures.oee)]


def _stops(context: Context, found: list[LineShift]) -> html.Div:
    every = sorted(((s, x.line.title) for x in found for s in x.stops), key=lambda pair: -pair[0].duration_s)
    rows = [
        [title, format.local(s.start_ms, context.zone), format.span(s.duration_s), s.reason or "no reason given"]
        for s, title in every[:STOPS_LISTED]
    ]
    rest = every[STOPS_LISTED:]
    more = f" ({len(rest)} shorter ones, {format.span(sum(s.duration_s for s, _ in rest))} in all, not listed)"
    return table(
        f"Stops, longest first{more if rest else ''}", ["Line", "Started", "Duration", "Reason"], rows,
        empty="No stops.", numeric=(2,),
    )  # fmt: skip


def _open(context: Context, open_: Sequence[AlarmRow]) -> html.Div:
    """Every alarm that is not normal: a handover must be complete."""
    rows = [
        [
            context.configuration.lines[a.line].title if a.line in context.configuration.lines else a.line,
            alarm_text.text_of(a, context.configuration).title, a.priority,
            a.state + (f" until {format.local(a.until_ms, context.zone)}: {a.reason}" if a.until_ms else ""),
            format.local(a.occurrence_ms, context.zone, day=True),
        ]
        for a in open_
    ]  # fmt: skip
    heads = ["Line", "Alarm", "Priority", "State", "Activated"]
    return table(f"Open and shelved alarms ({len(rows)})", heads, rows, empty="None.")


def _held(context: Context, decisions: Sequence[Finding]) -> html.Div:
    """Drums and reels whose newest signed decision is to hold them."""
    newest: dict[tuple[str, float], Finding] = {}
    for f in decisions:
        newest.setdefault((f.line, f.start_m), f)
    rows = []
    for f in newest.values():
        if f.check == "hold" and f.end_m is not None:
            drums = context.record.drums_between(f.line, f.start_m, f.end_m)
            names = ", ".join(d.drum for d in drums if d.start_m == f.start_m)
            line = context.configuration.lines.get(f.line)
            when = format.local(round(f.start_s * 1e3), context.zone, day=True)
            rows.append([names, line.title if line else f.line, when, f.by, f.reason])
    heads = ["Drum", "Line", "Signed", "By", "Reason"]
    only = "" if len(decisions) < DECISIONS else f", by the {DECISIONS} decisions signed last"
    caption = f"Drums and reels held by a signed decision{only}"
    return table(caption, heads, rows, empty="None.", classes="notes")


def _by_rule(context: Context, decisions: Sequence[Finding], start_ms: int, until_ms: int) -> html.Div:
    """Drums and reels finished in a span of time that the release rule holds, with no decision signed."""
    newest = context.record.drums(limit=LATELY)
    ended = [d for d in newest if d.end_ms is not None and start_ms <= d.end_ms < until_ms]
    decided = {(f.line, f.start_m) for f in decisions}
    waiting = [d for d in ended if (d.line, d.start_m) not in decided and d.line in context.configuration.lines]
    rows = []
    lineage = lineage_of(context)
    made_of = ribbons(context, [(d, length_m(context, d)) for d in waiting], lineage)
    beside = reasons_beside_metres(context, waiting, lineage)
    for drum, of, reasons in zip(waiting, made_of, beside, strict=True):
        metres = lengths_m(of)
        if reasons or any(metres[v] > 0 for v in Verdict if v is not Verdict.CONFORMING):
            link = dcc.Link(drum.drum, href=way_to("release", drum.line, drum.filling))
            cells = [format.number(metres[v], "m") for v in SORTED if v is not Verdict.CONFORMING]
            rows.append([link, context.configuration.lines[drum.line].title, *cells, "; ".join(reasons)])
    heads = ["Drum", "Line", *(f"{v.word.capitalize()} m" for v in SORTED if v is not Verdict.CONFORMING)]
    every = len(newest) < LATELY or newest[-1].start_ms < start_ms
    only = "" if every else f", of the {LATELY} drums that were begun last: earlier ones are on the page Drums"
    return table(
        f"Finished in this shift, with no decision signed, and held by the release rule for metres, alarms, resistance "
        f"or origin ({len(rows)}{only})",
        [*heads, "Other reasons"], rows, empty="None.", numeric=(2, 3, 4), classes="notes",
    )  # fmt: skip


def handovers(context: Context) -> html.Div:
    """The newest signed notes."""
    rows = [
        [format.local(round(f.start_s * 1e3), context.zone, day=True), f.by, f.reason]
        for f in context.record.findings_of_kind(FindingKind.HANDOVER, NOTES_LISTED)
    ]
    caption = f"Handover notes, newest first{f' (the last {NOTES_LISTED})' if len(rows) == NOTES_LISTED else ''}"
    return table(caption, ["When", "Signed by", "Note"], rows, empty="No handover notes yet.", classes="notes")
