"""Layout of Alarms: the browser draws the list and its history (`assets/c-alarms.js`); the form is here."""

import dash_mantine_components as dmc
from dash import dcc, html

from dashboard.actions.operator import SHELVE_MIN
from dashboard.components import Children, attributes
from dashboard.components.heading import heading
from dashboard.components.tally import tally
from dashboard.context import Context
from dashboard.queries.alarm_list import SHORT, SPANS_H
from dashboard.text import alarm_text, format
from monitor.contract.reading import AlarmRow


def content(_context: Context) -> Children:
    """The page; the browser fills both tables, and changes the rows that change."""
    return [
        html.Div(
            [
                *heading("Alarms", "Which alarms are unacknowledged?"),
                html.P(id="alarm-heading", className="message", role="status"),
            ],
            className="top",
            **attributes(page="alarms"),
        ),
        html.Div(id="alarms-now"),
        html.H2("Alarm history"),
        html.Div(id="alarms-history", **attributes(spans=",".join(f"{k}={h}" for k, h in SPANS_H.items()))),
        dcc.Store(id="asked"),
        dcc.Store(id="chosen"),
        _answer_form(),
    ]


def _answer_form() -> dmc.Modal:
    """Name, reason and the three responses; the chosen alarm is shown above."""
    return dmc.Modal(
        id="answer",
        title="Respond to alarm",
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
                    dmc.TextInput(id="reason", debounce=True, label="Reason or comment"),
                    dmc.Select(
                        id="shelve-min", label="Shelve for", value="60", allowDeselect=False,
                        data=[{"value": k, "label": v} for k, v in SHELVE_MIN.items()],
                    ),
                ],
                className="answer-fields",
            ),
            html.P(id="answer-message", className="message", role="alert"),
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


def about(context: Context, alarm: AlarmRow) -> Children:
    """The alarm that the form responds to."""
    text = alarm_text.text_of(alarm, context.configuration)
    line = context.configuration.lines[alarm.line].title
    since = format.local(alarm.occurrence_ms, context.zone)
    what = html.P([tally(alarm.priority), html.B(f"{line}: {text.title}")], className="about-what")
    shown: Children = [what, html.P(f"{SHORT.get(alarm.state, alarm.state)}, activated {since}")]
    if text.response:
        r = text.response
        facts = [
            ("Corrective action", r.corrective_action),
            ("Respond within", format.span(r.time_to_respond_s)),
            ("Cause", r.cause),
            ("Consequence", r.consequence),
        ]
        shown.append(html.Dl([html.Div([html.Dt(k), html.Dd(v)]) for k, v in facts], className="about"))
    return shown
