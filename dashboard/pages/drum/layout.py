"""What is in this drum? Ribbon, fault map, the process history of a chosen metre, and the findings as a table."""

from collections.abc import Mapping, Sequence
from typing import Any

import dash_mantine_components as dmc
import numpy as np
from dash import dcc, html

from dashboard.components import aria, attributes
from dashboard.components.chart import chart
from dashboard.components.ribbon import legend, ribbon
from dashboard.components.table import table
from dashboard.context import Context
from dashboard.figures.along import history_figure
from dashboard.figures.faultmap import bounds_m, fault_map, sentence
from dashboard.figures.flame import flame_figure
from dashboard.pages.drums.layout import others_of_this_name
from dashboard.queries.process_history import Stop, Value, heat_of_metre, process_history
from dashboard.queries.ribbon import full_scale_m, outer_m
from dashboard.text import format
from dashboard.text.addresses import way_to
from dashboard.text.format import exact, fixed, significant
from monitor.contract.config import titles
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Cure, Recipe
from monitor.contract.reading import DrumRow
from monitor.contract.record import Finding, FindingKind, Floats, Verdict
from monitor.evidence.asked import length_m
from monitor.evidence.drum_facts import fault_rates, spark_exposure_s, wall_from_outside
from monitor.evidence.inherited import Legacy, legacies, whole_runs
from monitor.evidence.release_record import revisions
from monitor.evidence.specimens import tested
from monitor.evidence.verdict_runs import lengths_m

# Said of a whole drum: they stand on its record.
ON_PAPER = (FindingKind.RESISTANCE, FindingKind.DECISION, FindingKind.HANDOVER)


def content(context: Context, drum: DrumRow) -> list[Any]:
    """The page of one drum."""
    line, recipe = context.configuration.lines[drum.line], context.recipe(drum.line, drum.recipe, drum.revision)
    length = length_m(context, drum)
    end = drum.start_m + length
    found = context.record.findings(drum.line, drum.start_m, end)
    findings = [f for f in found if f.kind not in ON_PAPER or f.verdict > Verdict.CONFORMING]
    findings += as_findings(drum, legacies(context, drum.line, drum.filling))
    rows = context.record.rows(drum.line, drum.start_m, end)
    figure = fault_map(line, recipe, findings, rows, drum.start_m, full_scale_m(length, None))
    of = whole_runs(context, drum, length)
    data = attributes(page="drum", line=drum.line, length=f"{length:.3f}", drum=drum.drum)
    return [
        html.Div(
            [
                html.Div(
                    [
                        html.H1(f"Drum {drum.drum}"),
                        html.P("Contents and faults", className="asked"),
                        dcc.Link("Its family", href=way_to("traceability", drum.line, drum.filling)),
                        dcc.Link("Its record on paper", href=way_to("release", drum.line, drum.filling)),
                    ],
                    className="top",
                ),
                *others_of_this_name(context, "drum", drum),
                _facts(
                    context, drum, length, [*_rates(line, recipe, findings, length), *_measured(line, recipe, rows)]
                ),
                *_flame(context, drum),
                legend(lengths_m(of)),
                html.P("Click the map or enter a drum metre to see its process history.", className="note"),
                html.Div(ribbon(of, length, None, size="tall"), className="over-map"),
                chart("fault-map", figure, coloured=False),
                html.Div(
                    [
                        dmc.NumberInput(
                            id="history-metre",
                            label="Process history at drum metre",
                            suffix=" m",
                            min=0,
                            max=max(int(length) - 1, 0),
                            step=1,
                            w=180,
                            debounce=300,
                        ),
                        html.Div(
                            id="history", role="region", **aria("Process history of the chosen metre", live="polite")
                        ),
                    ],
                    className="history",
                ),
                findings_table(context, drum, length, findings),
            ],
            **data,
        ),
        dcc.Store(id="history-drum", data={"line": drum.line, "filling": drum.filling}),
    ]


def as_findings(drum: DrumRow, inherited: Sequence[Legacy]) -> list[Finding]:
    """What a drum inherits, as findings on it: a lane of the map, rows of the table."""
    return [
        Finding(
            line=drum.line,
            key=f"inherited@{x.of.line}/{x.of.filling}/{x.of_start_m:.1f}",
            kind=FindingKind.INHERITED,
            stream=x.of.drum,
            check="inherited",
            verdict=x.verdict,
            start_m=drum.start_m + x.start_m,
            end_m=drum.start_m + x.end_m,
            start_s=x.of.start_ms / 1e3,
            end_s=None,
            extreme=None,
            limit=None,
            unit="m",
            text=f"of {x.of.drum}, its metre {format.metres(x.of_start_m)} to {format.metres(x.of_end_m)}",
        )
        for x in inherited
    ]


def _flame(context: Context, drum: DrumRow) -> list[Any]:
    """A circuit integrity test: the flame over the test, and what it came to."""
    test = tested(context, drum)
    if test is None:
        return []
    bad = test.failed or bool(test.outcome and test.outcome.departures)
    said = html.P(f"Circuit integrity by {test.test.standard}: {test.words}.",
                  className=f"outcome{' bad' if bad else ''}", id="flame-outcome")  # fmt: skip
    caution = "Such tests are for competent laboratories: fire, mains voltage and water together."
    return [said, chart("flame", flame_figure(test)), html.P(caution, className="note")]


def _facts(context: Context, drum: DrumRow, length: float, more: list[tuple[str, str]]) -> html.Dl:
    ended = "being wound" if drum.end_m is None else format.local(drum.end_ms or 0, context.zone, day=True)
    facts: list[tuple[str, Any]] = [
        ("Line", dcc.Link(context.configuration.lines[drum.line].title, href=f"/line/{drum.line}")),
        ("Begun", format.local(drum.start_ms, context.zone, day=True)),
        ("Ended", ended),
        ("Length", format.quantity(length, "m")),
        ("Recipe and revision", revisions(context, drum, length)),
        *more,
    ]
    return html.Dl([html.Div([html.Dt(k), html.Dd(v)]) for k, v in facts], className="facts")


def _rates(line: Line, recipe: Recipe | None, findings: list[Finding], length: float) -> list[tuple[str, str]]:
    facts = []
    for rate in fault_rates(findings, recipe, length) if recipe else []:
        low, high = (format.number(v, "", 1) for v in (rate.interval_per_km.low, rate.interval_per_km.high))
        said = f"{rate.count}, {format.number(rate.per_km, '', 1)} a km (95 %: {low} to {high})"
        facts.append((titles.event_title(line, rate.stream, f"{rate.check}s"), said))
    return facts


def _measured(line: Line, recipe: Recipe | None, rows: Mapping[str, Floats]) -> list[tuple[str, str]]:
    """Wall as a gauge outside can know it, and how long the spark tester held each metre at least."""
    facts = []
    wall = wall_from_outside(rows, recipe) if recipe else None
    if wall:
        facts.append(("Mean wall, from outside", f"{wall.mean_mm} mm (recipe {exact(wall.needed_mm)})"))
    stations = dict.fromkeys(e.stream.split("/")[0] for e in (recipe.event_check if recipe else []))
    held = {name: s for name in stations if (s := spark_exposure_s(rows, line, name)) is not None}
    for name, exposed_s in held.items():
        under = "the electrode" if len(held) == 1 else titles.inside(titles.station_title(line, name))
        facts.append((f"Under {under}", f"{fixed(exposed_s, 3)} s at least"))
    return facts


def findings_table(context: Context, drum: DrumRow, length: float, findings: list[Finding]) -> html.Div:
    """Findings with both coordinates, in wound order."""
    line = context.configuration.lines[drum.line]
    rows = []
    for finding in findings:
        a, b = bounds_m(finding, drum.start_m, length)
        rows.append(
            [
                html.Span(finding.verdict.word, className=f"verdict {finding.verdict.word}"),
                sentence(finding, line),
                format.metres(a),
                "open" if finding.end_m is None else format.metres(b),
                format.metres(outer_m(b, length)),
                format.metres(outer_m(a, length)),
                format.metres(b - a),
                format.local(finding.start_s * 1e3, context.zone),
            ]
        )
    return table(
        f"Findings on drum {drum.drum}, in wound order. Metres from the outer end run the other way: "
        "the next process meets the last row first.",
        ["Verdict", "What was found", "From m", "To m", "Outer from m", "Outer to m", "Length m", "Began"],
        rows,
        empty="Nothing found on this drum.",
        numeric=(2, 3, 4, 5, 6),
        classes="findings",
    )


def history_table(context: Context, drum: DrumRow, metre_m: float) -> Any:
    """The way of one drum metre as a table."""
    length = length_m(context, drum)
    if not 0 <= metre_m < length:
        return html.P(f"Drum {drum.drum} is {format.quantity(length, 'm')} long; it has no metre {fixed(metre_m, 0)}.")
    line = context.configuration.lines[drum.line]
    outer = format.quantity(outer_m(metre_m, length), "m")
    stops = process_history(context.record, line, drum, drum.start_m + metre_m, context.now_ms)
    rows = [_stop(context, stop) for stop in stops]
    way = table(
        f"Process history at drum metre {format.number(metre_m, 'm')} ({outer} from the outer end)",
        ["Path m", "Place", "Came", "Dwell s", "What it met there"],
        rows,
        empty="Nothing on record.",
        numeric=(0, 3),
        classes="history-table",
    )
    return [way, *_heat(context, line, drum, drum.start_m + metre_m)]


def _heat(context: Context, line: Line, drum: DrumRow, line_metre: float) -> list[Any]:
    """What this metre met: its cure in words, and its temperatures from the head to the take-up."""
    recipe = context.recipe(drum.line, drum.recipe, drum.revision)
    if recipe is None or recipe.cure is None:
        return []
    whole = float(np.floor(line_metre))
    row = {n: float(v[0]) for n, v in context.record.rows(line.line, whole, whole + 1).items() if len(v)}
    heat = heat_of_metre(context.record, line, recipe, drum, line_metre, context.now_ms)
    said = html.P(_cure_words(row, recipe.cure), className="outcome", id="history-cure")
    if heat is None:
        return [said, html.P("Its whole way through the line is not on record; no temperatures are drawn.")]
    drawn = history_figure(line, recipe.cure, heat)
    return [said, chart("history-heat", drawn)]


def _cure_words(row: Mapping[str, float], cure: Cure) -> str:
    index = row.get("cure/index-inner", float("nan"))
    if index != index:
        return "Cure: not seen. Not every oven was heard while this metre was inside."
    low, high = format.number(row["cure/index-low"], ""), format.number(row["cure/index-high"], "")
    return (
        f"Cure index inside {format.number(index, '')} (band {low} to {high}; least {exact(cure.index_min)}), "
        f"surface at most {format.quantity(row['cure/surface-peak'], 'degC')} (limit {exact(cure.surface_max_C)}), "
        f"degradation index {significant(row['cure/degradation'], 2)} (limit {exact(cure.degradation_max)})."
    )


def _stop(context: Context, stop: Stop) -> list[Any]:
    came = "not on record" if stop.came_ms is None else format.local(stop.came_ms, context.zone)
    dwell = "" if stop.dwell_s is None else fixed(stop.dwell_s, 2)
    met = "; ".join(_value(v) for v in stop.values)
    return [exact(stop.position_m), stop.place, came, dwell, met]


def _value(value: Value) -> str:
    if value.mean != value.mean:
        return f"{value.title}: not seen"
    said = f"{value.title} {format.quantity(value.mean, value.unit)}"
    if value.least == value.least and value.most > value.least:
        least, most = format.number(value.least, value.unit), format.number(value.most, value.unit)
        said += f" ({least} to {most})"
    return said
