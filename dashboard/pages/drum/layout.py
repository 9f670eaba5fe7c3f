"""Layout of a drum: ribbon, fault map, process history of a chosen metre, table of findings."""

import math
from collections.abc import Mapping

import dash_mantine_components as dmc
import numpy as np
from dash import dcc, html
from dash.development.base_component import Component
from plotly.graph_objects import Figure

from dashboard.actions.marks import KINDS
from dashboard.components import Children, aria, attributes
from dashboard.components.chart import chart
from dashboard.components.fillings import fillings
from dashboard.components.ribbon import legend, ribbon
from dashboard.components.table import table
from dashboard.context import Context
from dashboard.figures.along import history_figure
from dashboard.figures.faultmap import fault_map
from dashboard.figures.flame import flame_figure
from dashboard.queries.process_history import PlacePassed, Value, heat_of_metre, process_history
from dashboard.queries.ribbon import outer_m
from dashboard.text import format
from dashboard.text.addresses import way_to
from dashboard.text.findings import sentence
from dashboard.text.format import exact, fixed, significant
from monitor.contract.config import titles
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Cure, EventCheck
from monitor.contract.reading import DrumRow
from monitor.contract.units import convert
from monitor.evidence.drum_facts import fault_rates, required_exposure, spark_exposure_s, wall_from_outside
from monitor.evidence.source import length_m
from monitor.evidence.specimens import Tested
from monitor.evidence.verdict_runs import lengths_m
from monitor.evidence.whole_drum import DrumFinding, WholeDrum, whole_drum


def content(context: Context, row: DrumRow) -> Children:
    """The page of one drum."""
    drum = whole_drum(context, row)
    facts = [*_rates(drum), *_measured(drum)]
    metres, found, marks = lengths_m(drum.runs), drum.of_metres(), drum.marks()
    maps = fault_map(drum), flame_figure(drum.test) if drum.test else None
    return [
        html.Div(
            [
                _head(row),
                *fillings(context, "drum", row, drum.named_alike),
                _facts(context, drum, facts),
                *_flame(drum.test, maps[1]),
                legend(metres),
                html.P("Click the map or enter a drum metre to see its process history.", className="note"),
                html.Div(ribbon(drum.runs, drum.length_m, None, size="tall"), className="over-map"),
                chart("fault-map", maps[0], coloured=False),
                _history(drum.length_m),
                html.Div(findings_table(context, drum, found), id="drum-findings"),
                _mark_form(drum, marks),
            ],
            **attributes(page="drum", line=row.line, length=f"{drum.length_m:.3f}", drum=row.drum),
        ),
        dcc.Store(id="history-drum", data={"line": row.line, "filling": row.filling}),
    ]


def _head(row: DrumRow) -> Component:
    return html.Div(
        [
            html.H1(f"Drum {row.drum}"),
            html.P("Contents and faults", className="asked"),
            dcc.Link("Traceability", href=way_to("traceability", row.line, row.filling)),
            dcc.Link("Drum record (printable)", href=way_to("release", row.line, row.filling)),
        ],
        className="top",
    )


def _history(length_m: float) -> Component:
    """The field for a metre, and the place of its process history."""
    field = dmc.NumberInput(
        id="history-metre", label="Process history at drum metre", suffix=" m", min=0, max=max(int(length_m) - 1, 0),
        step=1, w=180, debounce=300,
    )  # fmt: skip
    shown = html.Div(id="history", role="region", **aria("Process history of the chosen metre", live="polite"))
    return html.Div([field, shown], className="metre-history")


def _mark_form(drum: WholeDrum, marks: list[DrumFinding]) -> Component:
    """What a person puts on record of metres of this drum, and takes back."""
    metres = {"suffix": " m", "min": 0, "max": math.ceil(drum.length_m), "w": 130}
    return html.Details(
        [
            html.Summary("Mark metres"),
            html.P("A suspect mark counts here, on each drum that the metres go to, and on the drum record. Other "
                   "marks are listed and change no verdict. Each is entered in the audit trail with your name. Chalk "
                   "or tag the cable too where you can reach it safely: keep clear of moving cable and of the spark "
                   "tester. Only competent persons may repair, with the line stopped and isolated.",
                   className="note"),
            html.Div(
                [
                    dmc.Select(id="mark-kind", label="Mark as", value="suspect", allowDeselect=False, w=140,
                               data=[{"value": kind, "label": label} for kind, label in KINDS.items()]),
                    dmc.NumberInput(id="mark-from", label="From drum metre", **metres),
                    dmc.NumberInput(id="mark-to", label="To drum metre", **metres),
                    dmc.TextInput(id="mark-by", label="Name", w=180),
                    dmc.TextInput(id="mark-reason", label="Observation and reason", w=360),
                    dmc.Button("Mark", id="mark-do", mt=24),
                ],
                className="controls",
            ),
            html.Div(
                [
                    dmc.Select(id="mark-which", label="Mark to withdraw", clearable=True, w=440,
                               data=mark_choices(drum.line, marks)),
                    dmc.Button("Withdraw", id="mark-undo", variant="default", mt=24),
                ],
                className="controls",
            ),
            html.P(id="mark-message", role="status"),
        ],
        className="mark-metres",
    )  # fmt: skip


def mark_choices(line: Line, marks: list[DrumFinding]) -> list[dict[str, str]]:
    """Marks that can be withdrawn, by drum metre."""
    return [
        {
            "value": found.finding.key,
            "label": f"{format.metres(found.start_m)} to {format.metres(found.end_m)} m: "
            f"{sentence(found.finding, line)}",
        }
        for found in marks
    ]


def _flame(test: Tested | None, drawn: Figure | None) -> Children:
    """A circuit integrity test: the flame over the test, and its result."""
    if test is None or drawn is None:
        return []
    bad = test.failed or bool(test.outcome and test.outcome.departures)
    outcome = html.P(f"Circuit integrity by {test.test.standard}: {test.words}.",
                  className=f"outcome{' bad' if bad else ''}", id="flame-outcome")  # fmt: skip
    caution = "Tests to be done by competent laboratories only: fire, mains voltage and water are present together."
    return [outcome, chart("flame", drawn), html.P(caution, className="note")]


def _facts(context: Context, drum: WholeDrum, more: list[tuple[str, str]]) -> Component:
    row, zone = drum.row, context.zone
    ended = "being wound" if row.end_m is None else format.local(row.end_ms or 0, zone, day=True)
    facts: list[tuple[str, Component | str]] = [
        ("Line", dcc.Link(drum.line.title, href=f"/line/{row.line}")),
        ("Begun", format.local(row.start_ms, zone, day=True)),
        ("Ended", ended),
        ("Length", format.quantity(drum.length_m, "m")),
        ("Recipe and revision", drum.revisions),
        *more,
    ]
    return html.Dl([html.Div([html.Dt(k), html.Dd(v)]) for k, v in facts], className="facts")


def _rates(drum: WholeDrum) -> list[tuple[str, str]]:
    facts = []
    findings = [f.finding for f in drum.findings]
    for rate in fault_rates(findings, drum.recipe, drum.length_m) if drum.recipe else []:
        low, high = (format.number(v, "", 1) for v in (rate.interval_per_km.low, rate.interval_per_km.high))
        text = f"{rate.count}, {format.number(rate.per_km, '', 1)} per km (95 % confidence interval {low} to {high})"
        facts.append((titles.event_title(drum.line, rate.stream, f"{rate.check}s"), text))
    return facts


def _measured(drum: WholeDrum) -> list[tuple[str, str]]:
    """Mean wall by the outer gauge, and the shortest spark test exposure of a metre."""
    facts, line, recipe = [], drum.line, drum.recipe
    wall = wall_from_outside(drum.columns, recipe) if recipe else None
    if wall:
        facts.append(
            ("Mean wall (calculated from outer diameter)", f"{wall.mean_mm} mm (recipe {exact(wall.needed_mm)})")
        )
    checks = {e.stream.split("/")[0]: e for e in (recipe.event_check if recipe else [])}
    held = {name: s for name in checks if (s := spark_exposure_s(drum.columns, line, name)) is not None}
    for name, exposed_s in held.items():
        under = "" if len(held) == 1 else f", {titles.inside(titles.station_title(line, name))}"
        facts.append(
            (
                f"Spark test exposure time, min.{under}",
                f"{fixed(exposed_s, 3)} s{_required(checks[name], line, exposed_s)}",
            )
        )
    return facts


def _required(check: EventCheck, line: Line, exposed_s: float) -> str:
    """What the rule of the recipe requires of a spark tester, whether it was met, and up to which speed it is."""
    required = required_exposure(check, line)
    if required is None:
        return ""
    met = "met" if exposed_s >= required.needed_s else "not met"
    fastest = convert(required.fastest_m_per_s, "m/s", line.speed_unit)
    speed = f"{format.number(fastest, line.speed_unit, 0)} {line.speed_unit}"
    return f"; {required.rule} requires {fixed(required.needed_s, 3)} s: {met} (at up to {speed})"


def findings_table(context: Context, drum: WholeDrum, found: list[DrumFinding]) -> Component:
    """Findings with both coordinates, in wound order."""
    rows = [
        [
            html.Span(f.finding.verdict.word, className=f"verdict {f.finding.verdict.word}"),
            sentence(f.finding, drum.line),
            format.metres(f.start_m),
            "ongoing" if f.finding.end_m is None else format.metres(f.end_m),
            format.metres(f.outer_start_m),
            format.metres(f.outer_end_m),
            format.metres(f.end_m - f.start_m),
            format.local(f.finding.start_s * 1e3, context.zone),
        ]
        for f in found
    ]
    return table(
        f"Findings on drum {drum.row.drum}, in wound order. Metres from the outer end run the other way: "
        "the next process unwinds from the last row.",
        ["Verdict", "Finding", "From, m", "To, m", "From outer end: start, m", "End, m", "Length, m", "Started"],
        rows,
        empty="No findings on this drum.",
        numeric=(2, 3, 4, 5, 6),
        classes="findings",
    )


def after_marking(context: Context, row: DrumRow) -> tuple[Component, list[dict[str, str]]]:
    """The findings of a drum as they are on record now, and the marks that can be withdrawn."""
    drum = whole_drum(context, row)
    return findings_table(context, drum, drum.of_metres()), mark_choices(drum.line, drum.marks())


def history_table(context: Context, drum: DrumRow, metre_m: float) -> Children:
    """Process history of one drum metre as a table."""
    length = length_m(context, drum)
    if not 0 <= metre_m < length:
        return [
            html.P(
                f"Metre {fixed(metre_m, 0)} is outside drum {drum.drum}, which is {format.quantity(length, 'm')} long."
            )
        ]
    line = context.configuration.lines[drum.line]
    outer = format.quantity(outer_m(metre_m, length), "m")
    stops = process_history(context.record, line, drum, drum.start_m + metre_m, context.now_ms)
    rows = [_stop(context, stop) for stop in stops]
    way = table(
        f"Process history at drum metre {format.number(metre_m, 'm')} ({outer} from the outer end)",
        ["Position (m)", "Station", "Time", "Dwell time (s)", "Measured values"],
        rows,
        empty="No data.",
        numeric=(0, 3),
        classes="history-table",
    )
    return [way, *_heat(context, line, drum, drum.start_m + metre_m)]


def _heat(context: Context, line: Line, drum: DrumRow, line_metre: float) -> Children:
    """Cure of this metre in words, and its temperatures from the head to the take-up."""
    recipe = context.recipe(drum.line, drum.recipe, drum.revision)
    if recipe is None or recipe.cure is None:
        return []
    whole = float(np.floor(line_metre))
    row = {n: float(v[0]) for n, v in context.record.rows(line.line, whole, whole + 1).items() if len(v)}
    heat = heat_of_metre(context.record, line, recipe, drum, line_metre, context.now_ms)
    outcome = html.P(_cure_words(row, recipe.cure), className="outcome", id="history-cure")
    if heat is None:
        return [outcome, html.P("Data for this metre are incomplete; no temperature profile is shown.")]
    drawn = history_figure(line, recipe.cure, heat)
    return [outcome, chart("history-heat", drawn)]


def _cure_words(row: Mapping[str, float], cure: Cure) -> str:
    index = row.get("cure/index-inner", float("nan"))
    if index != index:
        return "Cure not verified: oven temperature data are missing for this metre."
    low, high = format.number(row["cure/index-low"], ""), format.number(row["cure/index-high"], "")
    return (
        f"Cure index at the conductor {format.number(index, '')} (band {low} to {high}; min. {exact(cure.index_min)}), "
        f"surface max. {format.quantity(row['cure/surface-peak'], 'degC')} (limit {exact(cure.surface_max_C)}), "
        f"degradation index {significant(row['cure/degradation'], 2)} (limit {exact(cure.degradation_max)})."
    )


def _stop(context: Context, stop: PlacePassed) -> Children:
    came = "no data" if stop.came_ms is None else format.local(stop.came_ms, context.zone)
    dwell = "" if stop.dwell_s is None else fixed(stop.dwell_s, 2)
    met = "; ".join(_value(v) for v in stop.values)
    return [exact(stop.position_m), stop.place, came, dwell, met]


def _value(value: Value) -> str:
    if value.mean != value.mean:
        return f"{value.title}: no data"
    text = f"{value.title} {format.quantity(value.mean, value.unit)}"
    if value.least == value.least and value.most > value.least:
        least, most = format.number(value.least, value.unit), format.number(value.most, value.unit)
        text += f" ({least} to {most})"
    return text
