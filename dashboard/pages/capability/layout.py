"""Layout of Capability: control charts, capability with intervals, faults per km, compound giveaway."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import dash_mantine_components as dmc
import numpy as np
from dash import html
from plotly.graph_objects import Figure

from dashboard.components import Children, attributes
from dashboard.components.chart import chart
from dashboard.components.heading import heading
from dashboard.components.number_field import number_field
from dashboard.components.table import table
from dashboard.context import Context
from dashboard.figures.control import chart_figure, cusum_figure, u_figure
from dashboard.text import format
from dashboard.text.format import exact, fixed, percent, significant
from dashboard.text.number_entry import NotANumberError, read_number
from monitor.analysis.giveaway import giveaway, needed_diameter
from monitor.contract.config import titles
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.reading import DrumRow
from monitor.contract.record import FindingKind, Floats
from monitor.evidence.inherited import names_apart
from monitor.statistics import capability, charts
from monitor.statistics.capability import Index
from monitor.statistics.counts import rate_per_km, u_chart

SIZE = 5
POINTS_MOST, POINTS_LEAST = 200, 50
ALIKE = 0.3  # correlation of neighbouring subgroups above which their steps are no estimate of their spread
EWMA_WEIGHT, EWMA_WIDTH = 0.2, 2.962
CUSUM_K, CUSUM_H = 0.5, 5.0
DRUMS = {"1": "newest drum", "3": "3 drums", "10": "10 drums", "30": "30 drums"}
ECCENTRIC_MM = 0.05
RANGES, DEVIATIONS = "ranges", "standard deviations"
NELSON, WESTERN = "Nelson 1984", "Western Electric 1956"


@dataclass(frozen=True, slots=True)
class Metres:
    """One value per metre of some drums of one recipe, end to end in wound order; NaN where there are no data."""

    line_metre: Floats
    v: Floats


def content(context: Context) -> Children:
    """Choices; the rest comes by a callback."""
    lines = context.configuration.lines
    first = next(iter(lines))
    choices = streams(lines[first])
    return [
        html.Div(
            heading("Capability", "Does the process hold its tolerances?"),
            className="top",
            **attributes(page="capability"),
        ),
        html.Div(
            [
                dmc.Select(
                    id="capability-line", label="Line", value=first, allowDeselect=False, w=180,
                    data=[{"value": n, "label": x.title} for n, x in lines.items()],
                ),
                dmc.Select(id="capability-stream", label="Stream", allowDeselect=False, w=240, data=choices,
                           value=_first(choices)),
                dmc.Select(
                    id="capability-drums", label="Drums", value="3", allowDeselect=False, w=150,
                    data=[{"value": k, "label": v} for k, v in DRUMS.items()],
                ),
                dmc.Select(id="capability-spread", label="Within-subgroup estimate", value=RANGES,
                           allowDeselect=False, w=190,
                           data=[RANGES, DEVIATIONS]),
                dmc.Select(id="capability-rules", label="Run rules", value=NELSON, allowDeselect=False, w=210,
                           data=[NELSON, WESTERN]),
                number_field("capability-eccentric", "Eccentricity", ECCENTRIC_MM, "mm",
                             "distance between conductor and core centres", 250),
            ],
            className="controls",
        ),
        html.Div(id="capability-answer"),
    ]  # fmt: skip


def streams(line: Line) -> list[dict[str, str]]:
    """Streams with a value per metre, diameters first."""
    known = [s for s in line.stream if s.kind == "samples" and s.path != line.counter.stream]
    ordered = sorted(known, key=lambda s: s.unit != "mm")
    return [{"value": s.path, "label": titles.stream_title(line, s.path)} for s in ordered]


def _first(choices: Sequence[Mapping[str, str]]) -> str:
    cold = [c["value"] for c in choices if c["value"].startswith("cold-gauge/")]
    return cold[0] if cold else choices[0]["value"]


def answer(
    context: Context,
    line_name: str,
    path: str,
    drums: str,
    eccentric: object,
    spread: str = RANGES,
    rules: str = NELSON,
) -> Children:
    """Everything below the choices; a sentence says what cannot be computed."""
    line = context.configuration.lines[line_name]
    newest = context.record.drums(line_name, 60)
    if not newest:
        return [html.P("No drum of this line is recorded yet.")]
    recipe_name = newest[0].recipe
    chosen = [d for d in newest if d.recipe == recipe_name][: int(drums)][::-1]
    recipe = context.recipe(line_name, recipe_name)
    if recipe is None:
        return [html.P(f"Recipe {recipe_name} is not configured.")]
    metres = _metres(context, line_name, path, chosen)
    seen = metres.v[np.isfinite(metres.v)]
    if len(seen) < 20 * SIZE:
        return [html.P(f"Metres with data: {len(seen)}; needed: {20 * SIZE}.", className="outcome")]
    try:
        return [
            *_charts(line, path, metres, seen, recipe, spread, rules),
            *_per_km(context, line_name, newest),
            *(_given(line, path, seen, recipe, eccentric) if line.streams[path].unit == "mm" else []),
        ]
    except ValueError as error:
        return [html.P(str(error), className="outcome bad", role="alert")]


def _metres(context: Context, line: str, path: str, drums: Sequence[DrumRow]) -> Metres:
    """Drums follow each other, so their rows are read in one pass; rows of other drums between them are left out."""
    ends = [np.inf if d.end_m is None else d.end_m for d in drums]
    rows = context.record.rows(line, drums[0].start_m, ends[-1], [path])
    metre = np.asarray(rows["line_metre"], float)
    v = np.asarray(rows.get(path, np.full(len(metre), np.nan)), float)
    on = np.zeros(len(metre), dtype=bool)
    for drum, end in zip(drums, ends, strict=True):
        on |= (metre + 1 > drum.start_m) & (metre < end)
    return Metres(metre[on], v[on])


def _limits(recipe: Recipe, path: str) -> tuple[float | None, float | None]:
    """The outer limits of the window: beyond them cable is nonconforming; else the inner ones."""
    window = next((w for w in recipe.window if w.stream == path), None)
    if window is None:
        return None, None
    low = window.lolo if window.lolo is not None else window.lo
    return low, window.hihi if window.hihi is not None else window.hi


def _charts(line: Line, path: str, metres: Metres, seen: Floats, recipe: Recipe, spread: str, rules: str) -> Children:
    unit = format.unit(line.streams[path].unit)
    lag = capability.independent_after(seen)
    apart = max(SIZE, min(lag, len(metres.v) // POINTS_LEAST), len(metres.v) // POINTS_MOST)
    groups = capability.by_metres(metres.v, SIZE, apart)
    if len(groups) < 5:
        raise ValueError(f"Only {len(groups)} subgroups that are {apart} m apart: choose more drums.")
    size = capability.effective_size(seen)
    pair = (charts.xbar_s if spread == DEVIATIONS else charts.xbar_r)(groups)
    between = charts.individuals(groups.mean(axis=1))
    alike = float(capability.autocorrelation(groups.mean(axis=1), 1)[1])
    if alike > ALIKE:
        between = _by_whole_spread(between)
    x = [i * apart for i in range(len(groups))]
    z = (groups.mean(axis=1) - between.means.centre) / between.sigma if between.sigma else np.zeros(len(groups))
    signals = (charts.western_electric if rules == WESTERN else charts.nelson)(z)
    flagged = sorted({i for rule, places in signals.items() if rule != 1 for i in places})
    mean = charts.ewma(groups.mean(axis=1), between.means.centre, between.sigma, EWMA_WEIGHT, EWMA_WIDTH)
    sums = charts.cusum(z, 0.0, CUSUM_K, CUSUM_H)
    axis = f"metre (one subgroup of {SIZE} metres every {apart} m)"
    reach = f"up to about {lag} m" if lag < len(seen) // 2 else "over the whole length (periodic component)"
    text = (
        f"{format.number(len(seen), 'm')} metres, equivalent to {format.number(size, '', 0)} independent values "
        f"(autocorrelation {reach}). A subgroup is {SIZE} consecutive metres; the next starts {apart} m later."
    )
    if alike > ALIKE:
        text += (
            f" Subgroups are still correlated ({fixed(alike, 2)}): limits are based on the overall spread, and "
            "EWMA and CUSUM show slow drift, not a special cause."
        )
    return [
        html.P(text, className="note"),
        html.Div(
            [
                _drawn("Means of subgroups, each as one value", "capability-means",
                       chart_figure(x, between.means, axis, unit, flagged)),
                _drawn(f"{spread.capitalize()} within subgroups", "capability-ranges",
                       chart_figure(x, pair.spreads, axis, unit)),
                _drawn(f"EWMA, weight {EWMA_WEIGHT}", "capability-ewma", chart_figure(x, mean, axis, unit)),
                _drawn(f"CUSUM, k {CUSUM_K}, h {CUSUM_H} sigma", "capability-cusum",
                       cusum_figure(x, sums, axis, "sigma")),
            ],
            className="beside-blocks two",
        ),
        _rules(rules, signals, len(groups)),
        _run_lengths(apart),
        *_capability(recipe, path, groups, size * groups.size / len(seen), unit),
    ]  # fmt: skip


def _by_whole_spread(pair: charts.Pair) -> charts.Pair:
    """Limits of single values from their standard deviation instead of the moving range."""
    points = pair.means.points
    sigma = float(points.std(ddof=1))
    ends = [np.full(len(points), pair.means.centre + k * sigma) for k in (-3, 3)]
    return charts.Pair(charts.Chart(points, pair.means.centre, *ends), pair.spreads, sigma)


def _drawn(title: str, name: str, fig: Figure) -> html.Div:
    return html.Div([html.H2(title), chart(name, fig)])


WESTERN_RULES = {
    1: "one beyond 3 sigma", 2: "two of three beyond 2 sigma", 3: "four of five beyond 1 sigma",
    4: "eight in a row on one side",
}  # fmt: skip
RULES = {
    1: "one beyond 3 sigma", 2: "nine in a row on one side", 3: "six in a row rising or falling",
    4: "fourteen in a row up and down", 5: "two of three beyond 2 sigma", 6: "four of five beyond 1 sigma",
    7: "fifteen in a row within 1 sigma", 8: "eight in a row beyond 1 sigma",
}  # fmt: skip


def _rules(rules: str, signals: Mapping[int, Sequence[int]], count: int) -> html.Div:
    named = WESTERN_RULES if rules == WESTERN else RULES
    rows = [
        [rule, named[rule], len(places), percent(len(places) / count, 1)] for rule, places in signals.items() if places
    ]
    return table(
        f"Run rules ({rules}) with signals", ["Rule", "Pattern of the means", "Signals", "Share"], rows,
        empty="None.", numeric=(2, 3),
    )  # fmt: skip


def _run_lengths(apart: int) -> html.Div:
    rows = []
    for shift in (0.0, 0.5, 1.0, 2.0, 3.0):
        lengths = [
            charts.shewhart_arl(shift), charts.ewma_arl(shift, EWMA_WEIGHT, EWMA_WIDTH),
            charts.cusum_arl(shift, CUSUM_K, CUSUM_H),
        ]  # fmt: skip
        rows.append(
            [
                f"{exact(shift)} sigma",
                *(f"{significant(n)} ({format.number(n * apart, 'm')} m)" for n in lengths),
            ]
        )
    return table(
        "Average run length: subgroups (metres) until each chart signals a shift of the mean; 0: false alarm",
        ["Shift", "Single means, 3 sigma", "EWMA", "CUSUM"], rows, empty="", numeric=(1, 2, 3),
    )  # fmt: skip


def _capability(recipe: Recipe, path: str, groups: Floats, effective: float, unit: str) -> Children:
    low, high = _limits(recipe, path)
    if low is None and high is None:
        return [
            html.P(f"Recipe {recipe.title} has no limits for this stream: capability needs a limit.", className="note")
        ]
    found = capability.capability(groups, low, high, effective)

    def cell(index: Index | None) -> str:
        if index is None:
            return format.NO_VALUE
        return f"{fixed(index.value, 2)} ({fixed(index.interval.low, 2)} to {fixed(index.interval.high, 2)})"

    limits = " to ".join("no limit" if x is None else exact(x) for x in (low, high)) + f" {unit}"
    rows = [
        [
            f"within subgroups, sigma {significant(found.sigma_within, 4)} {unit}",
            cell(found.cp),
            cell(found.cpk),
        ],
        [f"over all, sigma {significant(found.sigma_overall, 4)} {unit}", cell(found.pp), cell(found.ppk)],
    ]
    return [
        html.H2("Capability"),
        table(
            f"Against {limits}; mean {significant(found.mean, 4)} {unit}; 95 % intervals for "
            f"{format.number(found.values, '', 0)} independent values",
            ["Spread", "Cp, Pp", "Cpk, Ppk"], rows, empty="",
        ),
        html.P(f"Expected out of limits (normal distribution): {significant(found.beyond * 1e6)} ppm of metres.",
               className="note"),
    ]  # fmt: skip


def _per_km(context: Context, line: str, drums: Sequence[DrumRow]) -> Children:
    ended = [d for d in drums if d.end_m is not None][:20][::-1]
    if not ended:
        return [html.H2("Spark faults per km"), html.P("No finished drum yet.", className="note")]
    ends = [d.end_m for d in ended if d.end_m is not None]
    found = context.record.findings(line, ended[0].start_m, max(ends))
    sparks = [f for f in found if f.kind is FindingKind.FAULT]
    middles = [f.start_m if f.end_m is None else (f.start_m + f.end_m) / 2 for f in sparks]
    spans = [(d.start_m, end) for d, end in zip(ended, ends, strict=True)]
    counts = [sum(start <= m < end for m in middles) for start, end in spans]
    lengths = [(end - start) / 1000 for start, end in spans]
    rate, between = rate_per_km(sum(counts), sum(lengths) * 1000)
    called = names_apart(d.key for d in ended)
    fig = u_figure([called[d.key] for d in ended], u_chart(counts, lengths), "per km")
    text = (
        f"{sum(counts)} in {fixed(sum(lengths), 2)} km: {significant(rate)} per km, {significant(between.low)} to "
        f"{significant(between.high)} (95 %)."
    )
    return [html.H2("Spark faults per km, drum by drum"), html.P(text, className="note"),
            chart("capability-per-km", fig)]  # fmt: skip


def _given(line: Line, path: str, seen: Floats, recipe: Recipe, eccentric: object) -> Children:
    geometry, cost = recipe.geometry, recipe.cost
    try:
        away = read_number(eccentric, "mm")
    except NotANumberError as error:
        return [html.P(f"Eccentricity: {error}", className="outcome bad", role="alert")]
    if away is None or not 0 <= away < geometry.wall_mm:
        problem = f"Eccentricity: expected 0 to less than the wall of {exact(geometry.wall_mm)} mm, got {eccentric}."
        return [html.P(problem, className="outcome bad", role="alert")]
    need = needed_diameter(geometry.inside_mm, geometry.wall_mm, float(seen.std(ddof=1)), away)
    found = giveaway(
        recipe, seen, need.outer_mm, cost.compound_per_kg if cost else None, cost.km_per_year if cost else None
    )
    money = (
        f", {fixed(found.per_year, 0)} {cost.currency} per year at {fixed(cost.km_per_year, 0)} km"
        if cost and found.per_year is not None
        else ""
    )
    verb = "overuse" if found.given_kg_per_km >= 0 else "underuse"
    rows = [
        ["Mean wall: specified minimum", f"{fixed(need.by_mean_mm, 3)} mm"],
        [
            f"Thinnest place allowed, {exact(away)} mm off centre, 4 sigma",
            f"{fixed(need.by_thinnest_mm, 3)} mm",
        ],
        [f"Needed, by the {need.by}", f"{fixed(need.outer_mm, 3)} mm"],
        ["Measured mean", f"{fixed(float(seen.mean()), 3)} mm"],
        ["Could be set lower by", f"{fixed(float(seen.mean()) - need.outer_mm, 3)} mm"],
    ]
    return [
        html.H2("Compound giveaway"),
        html.P(f"{significant(abs(found.given_kg_per_km))} kg/km {verb}{money}.", className="outcome",
               id="capability-given"),
        table(
            f"Diameter of {titles.inside(titles.stream_title(line, path))}: what the wall "
            "needs", ["Diameter", "Value"], rows,
            empty="", numeric=(1,),
        ),
        html.P(
            "The rule for the thinnest place is quoted from memory of the IEC 60227 series, not checked: check it "
            "against the standard "
            "you certify to, and measure the eccentricity; a diameter alone does not show it.", className="note",
        ),
    ]  # fmt: skip
