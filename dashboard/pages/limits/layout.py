"""Layout of Limits: rehearse, suggest, propose, approve, restore."""

from collections.abc import Mapping

import dash_mantine_components as dmc
from dash import dcc, html
from dash.development.base_component import Component

from dashboard.components import Children, Row, attributes
from dashboard.components.chart import chart
from dashboard.components.heading import heading
from dashboard.components.number_field import number_field
from dashboard.components.table import table
from dashboard.context import Context
from dashboard.figures.rehearsal import LIMITS, rehearsal_figure, suggestion_figure
from dashboard.jobs import Job
from dashboard.queries import downsample
from dashboard.text import format
from dashboard.text.addresses import is_number
from dashboard.text.format import fixed, percent, significant
from dashboard.text.number_entry import NotANumberError, read_number
from dashboard.web.api import break_after_ms
from monitor.analysis import alarm_load as alarm_figures
from monitor.analysis.rehearse import Asked, AskedLimit, Comparison, in_words
from monitor.analysis.shift_calendar import worth_of
from monitor.analysis.suggest import Suggestion
from monitor.contract.config import titles
from monitor.contract.config.limits import LimitsError, beyond_instruments, differences, limits_of, with_limits
from monitor.contract.config.recipe import Recipe
from monitor.contract.reading import ProposalRow
from monitor.contract.topics import Stream
from monitor.evidence.inherited import names_apart

HOUR_MS = 3_600_000
SPANS_H = {"1 h": 1, "4 h": 4, "8 h": 8, "24 h": 24, "7 days": 168, "30 days": 720}
OF_DRUM = "drum:"  # before the number of a filling whose time is chosen
SPANS = {name: hours * HOUR_MS for name, hours in SPANS_H.items()}
UNITS = {"_s": "s", "_m": "m", "_C": "degC"}
POINTS = 2000
STEPS = {"approve": "Approve", "refuse": "Reject", "withdraw": "Withdraw"}  # of a proposal, as buttons name them
STATES = {"refused": "rejected"}  # of a proposal, where the screen's word is another
Values = Mapping[str, float | None]


def content(context: Context) -> Children:
    """Controls; fields, results and tables come by callbacks."""
    return [
        html.Div(heading("Limits", "What if the limits were different?"), className="top", **attributes(page="limits")),
        _controls(context),
        html.Div(id="limits-fields"),
        html.Div(id="limits-changed"),
        html.Div(
            [
                dmc.Button("Rehearse", id="limits-go"),
                dmc.Button("Suggest deadband and delay for", id="limits-suggest", variant="default"),
                dmc.SegmentedControl(id="limits-which", data=["LOLO", "LO", "HI", "HIHI"], value="HI"),
                number_field("limits-most", "Nuisance alarms per shift, at most", 2.0, width=230),
                dmc.Button("Stop", id="limits-stop", variant="default", disabled=True),
                dmc.Button("Reset", id="limits-clear", variant="subtle"),
            ],
            className="controls",
        ),
        html.Div(id="limits-progress", role="status"),
        html.Div(id="limits-result"),
        html.H2("Propose these limits"),
        _proposing(),
        html.Div(id="limits-proposals"),
        html.Div(id="limits-in-force"),
        dcc.Store(id="limits-changes", data={}),
        dcc.Store(id="limits-wrong", data={}),
        dcc.Store(id="limits-job"),
        dcc.Store(id="limits-words"),
        dcc.Store(id="limits-sent"),
        dcc.Interval(id="limits-tick", interval=700, disabled=True),
        dcc.Interval(id="limits-turn", interval=3000),
    ]


def _controls(context: Context) -> Component:
    """Of which line and recipe, over which span, and how it is rehearsed."""
    lines = context.configuration.lines
    first = next(iter(lines))
    return html.Div(
        [
            _select("limits-line", "Line", {n: x.title for n, x in lines.items()}, first),
            dmc.Select(id="limits-recipe", label="Recipe", allowDeselect=False, w=290),
            dmc.Select(id="limits-group", label="Limits of", allowDeselect=False, searchable=True, w=270),
            dmc.Select(
                id="limits-span",
                label="Period",
                value="1 h",
                allowDeselect=False,
                w=190,
                data=spans(context, first),
            ),
            dmc.Switch(id="limits-cure", label="include cure", checked=True, mb=6),
            dmc.Switch(id="limits-lines", label="all lines of this type", mb=6),
            dmc.Switch(id="limits-alone", label="this stream only (fast, for long periods)", mb=6),
        ],
        className="controls",
    )


def spans(context: Context, line: str) -> list[dict[str, str]]:
    """The last hours and days, or the time of one of the newest drums."""
    newest = context.record.drums(line, 12)
    called = names_apart(d.key for d in newest)
    drums = [{"value": f"{OF_DRUM}{d.filling}", "label": f"drum {called[d.key]}"} for d in newest]
    return [{"value": s, "label": f"the last {s}"} for s in SPANS] + drums


def span_ms(context: Context, line: str, choice: str) -> tuple[int, int]:
    """Start and end of a choice of `spans`."""
    number = choice.removeprefix(OF_DRUM) if choice.startswith(OF_DRUM) else ""
    drum = context.record.drum(line, int(number)) if is_number(number) else None
    if drum is not None:
        return drum.start_ms, drum.end_ms or context.now_ms
    return context.now_ms - SPANS.get(choice, 3_600_000), context.now_ms


def _select(name: str, label: str, choices: Mapping[str, str], value: str, width: int = 180) -> dmc.Select:
    data = [{"value": k, "label": v} for k, v in choices.items()]
    return dmc.Select(id=name, label=label, data=data, value=value, allowDeselect=False, w=width)


def _proposing() -> html.Div:
    return html.Div(
        [
            dmc.TextInput(
                id="limits-by", debounce=True, label="Your name", persistence=True, persistence_type="local", w=190
            ),
            dmc.TextInput(id="limits-reason", debounce=True, label="Reason", w=420),
            dmc.Switch(id="limits-all", label="for all lines of this type", mb=6),
            dmc.Button("Propose", id="limits-propose", variant="default"),
            html.P(id="limits-message", className="message", role="alert"),
        ],
        className="controls",
    )


# ---- choosing ----------------------------------------------------------------------------------------------------


def groups(context: Context, line: str, recipe: Recipe) -> list[dict[str, str]]:
    """The owner of limits: a stream's window or events, a zone's dwell, the cure."""
    found: dict[str, str] = {}
    settings = context.configuration.lines[line]
    for key in limits_of(recipe):
        group = key.rpartition("/")[0]
        kind, _, of = group.partition("/")
        if kind == "window":
            found[group] = titles.stream_title(settings, of)
        elif kind == "event_check":
            found[group] = f"{titles.stream_title(settings, of)}, events"
        elif kind == "dwell":
            found[group] = f"Dwell in {titles.inside(titles.station_title(settings, of))}"
        else:
            found[group] = "Cure"
    return [{"value": k, "label": v} for k, v in found.items()]


def unit_of(context: Context, line: str, key: str) -> str:
    """The unit of a limit."""
    name = key.rpartition("/")[2]
    for end, unit in UNITS.items():
        if name.endswith(end):
            return unit
    kind, _, of = key.rpartition("/")[0].partition("/")
    streams = context.configuration.lines[line].streams
    return streams[of].unit if kind == "window" and of in streams else "1"


def title_of(context: Context, line: str, key: str) -> str:
    """Such as `Oven B: hi`."""
    group, _, name = key.rpartition("/")
    found = {g["value"]: g["label"] for g in groups(context, line, next(iter(context.recipes(line).values())))}
    label = found.get(group, group)
    return f"{label}: {limit_name(name)}"


def limit_name(name: str) -> str:
    """A limit's name as people read it: on_delay_s is `on-delay in s`, hi is `HI`."""
    for end in ("_s", "_m"):
        if "delay" in name and name.endswith(end):
            return f"{name.removesuffix(end).replace('_', '-')} in {end[1:]}"
    for end in ("_s", "_m", "_C"):
        name = name.removesuffix(end)
    return name.upper() if name in LIMITS else name.replace("_", " ")


def fields(context: Context, line: str, recipe: Recipe, group: str, changes: Values) -> Component:
    """A number field for each limit of a group, with what is in force beside it."""
    shown = [(key, value) for key, value in limits_of(recipe).items() if key.rpartition("/")[0] == group]
    row = []
    for key, value in shown:
        unit = format.unit(unit_of(context, line, key))
        now = changes.get(key, value)
        row.append(
            number_field(
                {"type": "limit", "key": key}, limit_name(key.rpartition("/")[2]), now, unit_of(context, line, key),
                f"in force: {'none' if value is None else format.limit(value, unit)}",
            )
        )  # fmt: skip
    return html.Div(row, className="setting-fields")


def changed(context: Context, line: str, recipe: Recipe, changes: Values) -> Children:
    """The differences from the limits in force, and whether they are valid."""
    if not changes:
        return [html.P("No changes yet. A rehearsal would show the recorded alarms.", className="note")]
    present = limits_of(recipe)
    rows = []
    for key, value in changes.items():
        unit = format.unit(unit_of(context, line, key))
        cells = ["none" if x is None else format.limit(x, unit) for x in (present.get(key), value)]
        rows.append([title_of(context, line, key), *cells])
    parts: Children = [
        table(f"Changed against revision {recipe.revision}", ["Limit", "In force", "Rehearsed"], rows, empty="")
    ]
    try:
        with_limits(recipe, changes)
    except LimitsError as error:
        parts.append(html.P(str(error), className="outcome bad", role="alert"))
    return parts


def read(
    context: Context, line: str, recipe: Recipe, changes: Values, typed: Mapping[str, object]
) -> tuple[dict[str, float | None], dict[str, str]]:
    """Changes from the entered values, and a message for each invalid field.

    What cannot be taken changes nothing: the limit in force stays, and nothing is rehearsed or proposed until the
    field is corrected.
    """
    present, kept = limits_of(recipe), dict(changes)
    wrong: dict[str, str] = {}
    for key, text in typed.items():
        if key not in present:
            continue
        kept.pop(key, None)
        try:
            value = read_number(text, format.unit(unit_of(context, line, key)))
        except NotANumberError as error:
            wrong[key] = str(error)
            continue
        if value != present[key]:
            kept[key] = value
    try:
        beyond = beyond_instruments(with_limits(recipe, kept), context.configuration.lines[line])
    except LimitsError:
        return kept, wrong  # shown below the fields, of all changes together
    return kept, wrong | {key: text for key, text in beyond.items() if key in kept}


# ---- results -----------------------------------------------------------------------------------------------------


def progress(job: Job | None) -> Children | None:
    """Progress as text and as a bar."""
    if job is None or (job.over and not job.failed):
        return None
    if job.failed:
        return [html.P(job.failed, className="outcome bad")]
    doing = "Rehearsing" if isinstance(job.asked, Asked) else "Searching for a deadband and a delay"
    return [
        html.P(f"{doing}: {percent(job.share)}"),
        html.Progress(value=str(job.share), max="1", className="progress"),
    ]


def shifts_in(context: Context, start_ms: int, end_ms: int) -> float:
    """Length of a span in shifts of the works."""
    return worth_of(start_ms, end_ms, context.configuration.works.shift, context.zone)


def comparison(context: Context, asked: Asked, found: Comparison, group: str) -> tuple[Children, str]:
    """Both results side by side, and the text for a proposal."""
    shifts = shifts_in(context, *found.span_ms(asked))
    summary = in_words(found, shifts)
    parts: Children = [html.P(summary, className="outcome", id="limits-outcome")]
    kind, _, path = group.partition("/")
    if kind == "window":
        parts.append(_trend(context, asked, found, path))
    parts.append(_figures(context, asked, found, shifts))
    moved = [
        [
            alarm_title(context, asked.line, m.alarm),
            m.before,
            m.after,
            m.only_before or "",
            m.only_after or "",
            _moved(m.moved_s),
        ]
        for m in found.alarms
    ]
    parts.append(
        table(
            "Alarm by alarm; matching activations are paired",
            ["Alarm", "In force", "Rehearsed", "Removed", "New", "Time change of pairs"], moved,
            empty="No alarms with either set of limits.", numeric=(1, 2, 3, 4),
        )
    )  # fmt: skip
    caught = [
        [f"{format.metres(c.fault.start_m)} to {format.metres(c.fault.end_m)} m", c.fault.of,
         _when(context, c.before_s), _when(context, c.after_s), c.word]
        for c in found.caught[:100]
    ]  # fmt: skip
    parts.append(
        table(
            "Known bad cable (spark faults, marks): when another alarm detected it",
            ["Line metre", "Known by", "In force", "Rehearsed", "Outcome"], caught,
            empty="No known bad cable in this period.",
        )
    )  # fmt: skip
    return parts, summary


def alarm_title(context: Context, line: str, alarm: str) -> str:
    """An alarm's name in words, without the value of its limit; a leading line name is kept."""
    first, _, rest = alarm.partition("/")
    if first in context.configuration.lines:
        return f"{context.configuration.lines[first].title}: {alarm_title(context, first, rest)}"
    path, _, check = alarm.rpartition("/")
    settings = context.configuration.lines.get(line)
    if settings is None or path not in settings.streams:
        station, _, of = path.partition("/")
        if of == "dwell" and settings is not None:
            return f"Dwell in {titles.inside(titles.station_title(settings, station))} too {check}"
        return f"{path.replace('/', ' ').replace('-', ' ').capitalize()}, {check}"
    return f"{titles.stream_title(settings, path)}: {check.replace('-', ' ')}"


def _moved(moved_s: tuple[float, ...]) -> str:
    if not moved_s:
        return ""
    sooner, later = sum(x < -1e-6 for x in moved_s), sum(x > 1e-6 for x in moved_s)
    if not sooner and not later:
        return "at the same time"
    middle = sorted(moved_s)[len(moved_s) // 2]
    return f"{sooner} sooner, {later} later, {fixed(middle, 1, sign=True)} s median"


def _when(context: Context, t_s: float | None) -> str:
    return "not detected" if t_s is None else format.local(round(t_s * 1e3), context.zone)


def _figures(context: Context, asked: Asked, found: Comparison, shifts: float) -> html.Div:
    settings = context.configuration.works.alarm_figures
    both = [
        alarm_figures.figures(side.raised, asked.start_ms / 1e3, asked.end_ms / 1e3, settings)
        for side in (found.before, found.after)
    ]
    rows: list[Row] = [
        ["Alarms", *(f.count for f in both)],
        ["Alarms per shift", *(significant(f.count / shifts) for f in both)],
        ["Peak in 10 min", *(f.peak for f in both)],
        ["Floods", *(len(f.floods) for f in both)],
        ["Chattering alarms", *(len(f.chattering) for f in both)],
        ["Fleeting", *(f.fleeting for f in both)],
        ["Stale (active longer than a day)", *(len(f.stale) for f in both)],
        ["Metres with findings", *(format.number(side.bad_m(), "m") for side in (found.before, found.after))],
    ]
    return table("Operator load", ["Figure", "In force", "Rehearsed"], rows, empty="", numeric=(1, 2))


def _trend(context: Context, asked: Asked, found: Comparison, path: str) -> Component:
    line = context.configuration.lines[asked.line]
    settings = line.streams[path]
    trend = context.record.samples(Stream(line.line, *path.split("/")), asked.start_ms, asked.end_ms)
    points = downsample.long(trend, POINTS, break_after_ms(settings.interval_s))
    recipes = context.recipes(asked.line)
    name = next(iter(asked.changes), next(iter(recipes)))
    before = _window(recipes[name], path)
    after = _window(with_limits(recipes[name], asked.changes.get(name, {})), path)
    raised = tuple([r for r in s.raised if r.alarm.startswith(f"{path}/")] for s in (found.before, found.after))
    fig = rehearsal_figure(
        titles.stream_title(line, path), settings.unit, points, (asked.start_ms, asked.end_ms), context.zone, before,
        after, raised,  # type: ignore[arg-type]
    )  # fmt: skip
    return chart("limits-trend", fig)


def _window(recipe: Recipe, path: str) -> dict[str, float | None]:
    found = limits_of(recipe)
    return {name: found.get(f"window/{path}/{name}") for name in LIMITS}


def suggestion(context: Context, asked: AskedLimit, found: Suggestion) -> Children:
    """The curve, the reason, and a button to use the values."""
    shifts = shifts_in(context, asked.start_ms, asked.end_ms)
    parts: Children = [
        html.P(
            f"{alarm_title(context, asked.line, asked.limit)}: {found.why}", className="outcome", id="limits-outcome"
        )
    ]
    if found.tried:
        fig = suggestion_figure(found, shifts)
        parts.append(chart("limits-curve", fig))
    if found.chosen is not None:
        group = f"window/{asked.limit.rpartition('/')[0]}"
        taken = f"{group}|{found.chosen.deadband}|{found.chosen.on_delay_s}"
        parts.append(dmc.Button("Use these values", id={"type": "take", "what": taken}, variant="default"))
        parts.append(html.P("Copies the values into the fields; rehearse them next.", className="note"))
    return parts


# ---- what is proposed and in force -------------------------------------------------------------------------------


def proposals(context: Context) -> html.Div:
    """Open proposals with their possible steps, then the outcome of others."""
    rows = [_proposal(context, p) for p in context.record.proposals(30)]
    return table(
        "Proposals, newest first: a second person approves or rejects, with name and reason entered above",
        ["When", "Line", "Changes", "By", "Reason", "Rehearsed", "State", "Decision"], rows,
        empty="No proposals yet.",
        classes="proposals",
    )  # fmt: skip


def _proposal(context: Context, p: ProposalRow) -> Children:
    state = STATES.get(p.state, p.state)
    decided = f"{state} by {p.decided_by}" if p.decided_by else state
    if p.revision:
        decided += f": revision {p.revision}"
    steps = [
        html.Button(
            label, className="answer",
            id={"type": "decide", "what": what, "proposal": p.proposal, "line": p.line, "recipe": p.recipe},
        )
        for what, label in STEPS.items()
        if p.state == "proposed"
    ]  # fmt: skip
    return [
        format.local(p.t_ms, context.zone, day=True), _title(context, p.line),
        html.Ul([html.Li(_change(context, p.line, key, value)) for key, value in p.changes.items()]),
        p.by, p.reason, p.rehearsal, decided + (f" ({p.decided_reason})" if p.decided_reason else ""),
        html.Div(steps, className="steps"),
    ]  # fmt: skip


def _title(context: Context, line: str) -> str:
    found = context.configuration.lines.get(line)
    return found.title if found else line


def _change(context: Context, line: str, key: str, value: float | None) -> str:
    if line not in context.configuration.lines:
        return f"{key} = {value}"
    unit = format.unit(unit_of(context, line, key))
    return f"{title_of(context, line, key)} " + ("none" if value is None else format.limit(value, unit))


def in_force(context: Context) -> html.Div:
    """Every revision on record of each line's recipes, the one in force marked; one action restores an earlier one."""
    rows = []
    for line in context.configuration.lines:
        current = context.recipes(line)
        came = {(r.recipe.recipe, r.recipe.revision): r for r in context.record.came_into_force(line)}
        known = {(r.recipe, r.revision): r for r in context.configuration.recipes_for(line).values()}
        known |= {key: row.recipe for key, row in came.items()}
        for name, revision in sorted(known, key=lambda k: (k[0], -k[1])):
            earlier = [n for of, n in known if of == name and n < revision]
            what = differences(known[name, max(earlier)], known[name, revision]) if earlier else {}
            now = current[name].revision == revision
            row = came.get((name, revision))
            step = html.Button(
                "Restore this revision",
                className="plain",
                id={"type": "back", "line": line, "recipe": name, "to": revision},
            )
            rows.append(
                [
                    _title(context, line), name, revision, "in force" if now else "",
                    format.local(row.t_ms, context.zone, day=True) if row else "from recipe file",
                    f"{format.number(row.line_metre, 'm')} m" if row else "",
                    html.Ul([html.Li(_change(context, line, key, new)) for key, (_, new) in what.items()]),
                    (f"{row.by}, approved by {row.approved_by}" if row.approved_by else row.by) if row else "",
                    row.reason if row else "", "" if now else step,
                ]
            )  # fmt: skip
    return table(
        "Revisions of each line's recipes; restoring puts an earlier one in force under a new number",
        ["Line", "Recipe", "Revision", "State", "Since", "From line metre", "Changed to", "By", "Reason",
         "Restore"], rows,
        empty="", numeric=(2,), classes="proposals",
    )  # fmt: skip
