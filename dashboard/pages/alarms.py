"""What wants an answer? Alarms with what to do, the answers people give, and how alarms changed before."""

from collections.abc import Mapping, Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import dcc, html

from dashboard import words
from dashboard.context import Context
from dashboard.live import WANTS_ANSWER
from dashboard.pages.drums import drum_link
from dashboard.views import aria, attributes
from dashboard.views.table import table
from dashboard.views.tally import tally
from monitor.contract.reading import AlarmRow, DrumRow

SHELVE_MIN = {"15": "15 minutes", "60": "1 hour", "240": "4 hours", "480": "8 hours"}
SPANS_H = {"8 h": 8, "24 h": 24, "7 days": 168}
RANK = {"unacknowledged": 0, "returned to normal unacknowledged": 1, "acknowledged": 2}
SHORT = {"returned to normal unacknowledged": "returned to normal, unacknowledged"}


def content(context: Context) -> list[Any]:
    """The page; tables are filled by callbacks and again whenever an alarm changes."""
    return [
        html.Div(
            [html.H1("What wants an answer?"), html.P(id="alarm-said", className="said", role="status")],
            className="top",
            **attributes(page="alarms"),
        ),
        html.Div(id="alarms-now"),
        html.Div(
            [
                html.H2("Changes of alarms"),
                dmc.SegmentedControl(id="history-span", data=list(SPANS_H), value="8 h", size="xs"),
            ],
            className="beside",
        ),
        html.Div(id="alarms-history"),
        dcc.Store(id="chosen"),
        _answer_form(),
    ]


def _answer_form() -> dmc.Modal:
    """Name, reason and the three answers; what was chosen is told above."""
    return dmc.Modal(
        id="answer",
        title="Your answer",
        size="lg",
        centered=True,
        children=[
            html.Div(id="answer-about"),
            html.Div(
                [
                    dmc.TextInput(
                        id="by", debounce=True, label="Your name", required=True, persistence=True,
                        persistence_type="local", **attributes(autofocus="true"),
                    ),
                    dmc.TextInput(id="reason", debounce=True, label="Reason or remark"),
                    dmc.Select(
                        id="shelve-min", label="Shelve for", value="60", allowDeselect=False,
                        data=[{"value": k, "label": v} for k, v in SHELVE_MIN.items()],
                    ),
                ],
                className="answer-fields",
            ),
            html.P(id="answer-said", className="said", role="alert"),
            html.Div(
                [
                    dmc.Button("Acknowledge", id="do-acknowledge"),
                    dmc.Button("Shelve", id="do-shelve", variant="default"),
                    dmc.Button("Unshelve", id="do-unshelve", variant="default"),
                ],
                className="answer-buttons",
            ),
        ],
    )  # fmt: skip


def key_of(alarm: AlarmRow) -> str:
    """Names one raising of one alarm."""
    return f"{alarm.line}|{alarm.alarm}|{alarm.occurrence_ms}"


def find(context: Context, key: str) -> AlarmRow | None:
    """The alarm of a key, if it still stands."""
    return next((a for a in context.record.alarms_now() if key_of(a) == key), None)


def standing(context: Context) -> list[AlarmRow]:
    """Most urgent first: unanswered before answered, high before low, newest first."""
    return sorted(
        context.record.alarms_now(),
        key=lambda a: (RANK.get(a.state, 3), -words.ORDER.get(a.priority, 0), -a.occurrence_ms),
    )


def waiting(sent: Sequence[Mapping[str, Any]], alarms: Sequence[AlarmRow]) -> list[Mapping[str, Any]]:
    """Answers sent that the record does not show yet."""
    now = {key_of(a): a for a in alarms}
    return [s for s in sent if s["key"] in now and now[s["key"]].t_ms < s["t"] and now[s["key"]].state == s["state"]]


def now_table(context: Context, sent: Sequence[Mapping[str, Any]]) -> html.Div:
    """Alarms that are not normal, each with its response under it."""
    alarms = standing(context)
    pending = {s["key"]: s for s in waiting(sent, alarms)}
    drums = {name: list(context.record.drums(name, 20)) for name in {a.line for a in alarms}}
    head = ["Priority", "State", "Line", "What", "Value", "Limit", "Since", "Where", "Answer"]
    body: list[Any] = []
    for alarm in alarms:
        body += _rows(context, alarm, pending.get(key_of(alarm)), drums[alarm.line], len(head))
    if not alarms:
        body = [html.Tr(html.Td("No alarm stands. Nothing wants an answer.", colSpan=len(head), className="empty"))]
    caption = "Alarms that are not normal, most urgent first"
    heads = [html.Th(h, scope="col", className="n" if h in ("Value", "Limit") else "") for h in head]
    return html.Div(
        html.Table([html.Caption(caption), html.Thead(html.Tr(heads)), *body], className="alarms"),
        className="table-room",
        tabIndex=0,
        role="region",
        **aria(caption),
    )


def _rows(
    context: Context, alarm: AlarmRow, sent: Mapping[str, Any] | None, drums: Sequence[DrumRow], wide: int
) -> list[Any]:
    text = words.alarm_text(alarm, context.configuration)
    wants = alarm.state in WANTS_ANSWER
    cells = [
        html.Td(tally(alarm.priority)),
        html.Td([html.Span(className="mark") if wants else None, _state(context, alarm)], className="state"),
        html.Td(
            context.configuration.lines[alarm.line].title if alarm.line in context.configuration.lines else alarm.line
        ),
        html.Th(text.title, scope="row"),
        html.Td(_value(alarm), className="n"),
        html.Td(words.quantity(alarm.limit, alarm.unit), className="n"),
        html.Td(
            [
                words.local(alarm.occurrence_ms, context.zone),
                html.Br(),
                html.Span("", className="ago", **attributes(ago=str(alarm.occurrence_ms))),
            ]
        ),
        html.Td(where(alarm, drums)),
        html.Td(_answer_cell(alarm, sent)),
    ]
    group = [html.Tr(cells)]
    if text.response:
        group.append(html.Tr(html.Td(response_line(text.response), colSpan=wide), className="response"))
    return [html.Tbody(group, className="wants" if wants else "quiet")]


def response_line(response: Any) -> list[Any]:
    """Corrective action first: it is what a person needs."""
    return [
        html.Span([html.B(f"Within {words.span(response.time_to_respond_s)} "), response.corrective_action]),
        html.Span([html.B("Cause "), response.cause]),
        html.Span([html.B("Otherwise "), response.consequence]),
    ]


def _value(alarm: AlarmRow) -> str:
    return words.NOTHING if alarm.unit == "count" else words.quantity(alarm.value, alarm.unit)


def _state(context: Context, alarm: AlarmRow) -> str:
    said = SHORT.get(alarm.state, alarm.state)
    if alarm.state == "shelved" and alarm.until_ms:
        said += f" until {words.local(alarm.until_ms, context.zone)}"
    if alarm.by:
        said += f" by {alarm.by}"
    return said


def where(alarm: AlarmRow, drums: Sequence[DrumRow]) -> Any:
    """Drum metre of an alarm's raising, with the way to its drum."""
    if alarm.line_metre is None:
        return words.NOTHING
    for drum in drums:
        if drum.start_m <= alarm.line_metre and (drum.end_m is None or alarm.line_metre < drum.end_m):
            return [drum_link(drum), f" at {words.number(alarm.line_metre - drum.start_m, 'm')} m"]
    return f"line metre {words.number(alarm.line_metre, 'm')}"


def _answer_cell(alarm: AlarmRow, sent: Mapping[str, Any] | None) -> Any:
    key = key_of(alarm)
    button = html.Button("Answer", id={"type": "answer", "key": key}, className="answer", n_clicks=0)
    if sent is None:
        return button
    said = f"{sent['action']} sent, waiting for the monitor"
    return [
        html.Span(said, className="sent"),
        html.Span("", className="sent-age", **attributes(ago=str(sent["t"]))),
        button,
    ]


def about(context: Context, alarm: AlarmRow) -> list[Any]:
    """What is being answered, in the form."""
    text = words.alarm_text(alarm, context.configuration)
    line = context.configuration.lines[alarm.line].title
    since = words.local(alarm.occurrence_ms, context.zone)
    what = html.P([tally(alarm.priority), html.B(f"{line}: {text.title}")], className="about-what")
    said: list[Any] = [what, html.P(f"{SHORT.get(alarm.state, alarm.state)}, raised {since}")]
    if text.response:
        r = text.response
        facts = [
            ("Do", r.corrective_action),
            ("Within", words.span(r.time_to_respond_s)),
            ("Cause", r.cause),
            ("Otherwise", r.consequence),
        ]
        said.append(html.Dl([html.Div([html.Dt(k), html.Dd(v)]) for k, v in facts], className="about"))
    return said


def history_table(context: Context, choice: str) -> html.Div:
    """Changes of alarms over a span, newest first."""
    end = context.now_ms
    changes = context.record.alarm_changes(None, end - SPANS_H.get(choice, 8) * 3_600_000, end + 60_000, 300)
    rows = [
        [
            words.local(a.t_ms, context.zone, day=True),
            context.configuration.lines[a.line].title if a.line in context.configuration.lines else a.line,
            tally(a.priority),
            words.alarm_text(a, context.configuration).title,
            a.event,
            SHORT.get(a.state, a.state),
            _value(a),
            f"{a.recipe}, {a.revision}" if a.recipe else "",
            a.by,
            a.reason,
        ]
        for a in changes
    ]
    return table(
        f"Changes of the last {choice}, newest first (300 at most)",
        ["When", "Line", "Priority", "What", "Event", "State after", "Value", "Recipe, revision", "By", "Reason"],
        rows,
        empty="No alarm changed in this span.",
        numeric=(6,),
        classes="history",
    )
