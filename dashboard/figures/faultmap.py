"""The fault map: one lane per kind of evidence along the drum, measured values in strips below."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from textwrap import wrap

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.axes import set_metre_axes
from dashboard.figures.style import COLOUR, GREY, LIMIT_LINE, Props, figure
from dashboard.queries.ribbon import full_scale_m
from dashboard.text import format
from dashboard.text.findings import sentence
from dashboard.text.format import exact
from monitor.contract.config import titles
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.record import Finding, FindingKind, Floats, Verdict
from monitor.evidence.whole_drum import DrumFinding, WholeDrum

LANE_PX, STRIP_PX = 26, 88
SHAPE = {Verdict.NONCONFORMING: "diamond", Verdict.SUSPECT: "triangle-up", Verdict.UNVERIFIED: "square-open"}
STRIP_POINTS = 1000
MARKS, NOT_SEEN, DWELL, CURE, FROM_BEFORE = "Manual marks", "No data", "Dwell", "Cure", "Inherited"
COOLING = "Cooling"
INDEX, INDEX_MOST = "cure/index-inner", 8.0  # cable that stopped in an oven has indices of thousands: drawn at the top


@dataclass(frozen=True, slots=True, kw_only=True)
class MapStrip:
    """One measured quantity along the drum, with the limits it was judged by."""

    title: str
    unit: str
    column: str
    limits: Mapping[str, float]
    band: tuple[str, str] | None = None
    most: float | None = None


def lane_of(finding: Finding, line: Line) -> str:
    """The kind of evidence of a finding."""
    if finding.kind in (FindingKind.MISSING, FindingKind.STUCK):
        return NOT_SEEN
    if finding.kind in (FindingKind.MARK, FindingKind.RESISTANCE):
        return MARKS
    if finding.kind is FindingKind.INHERITED:
        return FROM_BEFORE
    if finding.kind is FindingKind.DWELL:
        return DWELL
    if finding.kind is FindingKind.CURE:
        return COOLING if finding.stream.startswith("cooling/") else CURE
    if finding.kind is FindingKind.WINDOW:
        return titles.station_title(line, finding.stream.split("/")[0])
    return titles.stream_title(line, finding.stream)


def lanes(line: Line, recipe: Recipe | None, findings: Sequence[Finding]) -> list[str]:
    """All lanes in order, empty ones too: that nothing was found is evidence as well."""
    events = [titles.stream_title(line, e.stream) for e in recipe.event_check] if recipe else []
    place = {s.name: s.middle_m for s in line.station}
    stations = sorted({w.stream.split("/")[0] for w in recipe.window}, key=lambda s: place[s]) if recipe else []
    judged = [titles.station_title(line, s) for s in stations if _marks_metres(recipe, s)]
    dwell = [DWELL] if recipe and recipe.dwell else []
    dwell += [CURE] if recipe and recipe.cure else []
    dwell += [COOLING] if recipe and recipe.cooling else []
    judged += [FROM_BEFORE] if line.pay_off else []
    found = [lane_of(f, line) for f in findings]
    return list(dict.fromkeys([*events, *judged, *dwell, NOT_SEEN, MARKS, *found]))


def _marks_metres(recipe: Recipe | None, station: str) -> bool:
    windows = [w for w in recipe.window if w.stream.startswith(f"{station}/")] if recipe else []
    return any(w.verdict_of(name) != "none" for w in windows for name in w.limits)


def strips(line: Line, recipe: Recipe | None) -> list[MapStrip]:
    """Quantities worth a strip: those whose window marks metres, and the dwells that have limits."""
    if recipe is None:
        return []
    found = [
        MapStrip(
            title=titles.stream_title(line, w.stream),
            unit=w.unit,
            column=w.stream,
            limits={str(k): v for k, v in w.limits.items()},
        )
        for w in recipe.window
        if any(w.verdict_of(name) != "none" for name in w.limits) and w.stream in line.streams
    ]
    if recipe.cure:
        least = {"LOLO": recipe.cure.index_min, "LO": recipe.cure.index_warn}
        found.append(
            MapStrip(
                title="Cure index inside",
                unit="1",
                column=INDEX,
                limits=least,
                band=("cure/index-low", "cure/index-high"),
                most=INDEX_MOST,
            )
        )
    if recipe.cooling:
        most = {"HI": recipe.cooling.inside_max_C}
        place = titles.inside(titles.station_title(line, recipe.cooling.station))
        found.append(
            MapStrip(title=f"Inside the wall at the {place}", unit="degC", column="cooling/inside", limits=most)
        )
    for dwell in recipe.dwell:
        limits = {"LO": dwell.min_s, "HI": dwell.max_s}
        title = f"Dwell, {titles.inside(titles.station_title(line, dwell.zone))}"
        found.append(
            MapStrip(
                title=title,
                unit="s",
                column=f"dwell/{dwell.zone}",
                limits={k: v for k, v in limits.items() if v is not None},
            )
        )
    return found


def fault_map(drum: WholeDrum) -> go.Figure:
    """Lanes above, strips below, one pair of metre axes; drawn in drum metres."""
    line, length_m = drum.line, full_scale_m(drum.length_m, None)
    found = [f for f in drum.of_metres() if f.finding.text != "taken back"]
    names = lanes(line, drum.recipe, [f.finding for f in found])
    below = [s for s in strips(line, drum.recipe) if s.column in drum.columns]
    body = LANE_PX * len(names) + STRIP_PX * len(below)
    fig = figure(body + 106, top=56, bottom=50, left=172, right=64)
    split = STRIP_PX * len(below) / body
    set_metre_axes(fig, length_m)
    fig.update_layout(
        barmode="overlay",
        bargap=0.35,
        yaxis={
            "domain": [split + 0.01 if below else 0, 1],
            "type": "category",
            "categoryorder": "array",
            "categoryarray": names,
            "range": [len(names) - 0.5, -0.5],
            "showgrid": True,
            "tickson": "boundaries",
            "ticks": "",
            "ticklabelstandoff": 8,
            "fixedrange": True,
        },
    )
    fig.add_bar(y=names, x=[0.0] * len(names), orientation="h", hoverinfo="skip", name="lanes")
    for verdict in (Verdict.CONFORMING, Verdict.UNVERIFIED, Verdict.SUSPECT, Verdict.NONCONFORMING):
        chosen = [f for f in found if f.finding.verdict is verdict]
        if chosen:
            _add_findings(fig, line, verdict, chosen, length_m)
    drawn = [
        _add_strip(fig, i, strip, drum, split - (i + 1) * split / len(below), split / len(below))
        for i, strip in enumerate(below)
    ]
    # In one go: each shape or annotation added by itself makes Plotly look through all of them again.
    fig.update_layout(
        shapes=[s for d in drawn for s in d.shapes], annotations=[a for d in drawn for a in d.annotations]
    )
    fig.update_layout({name: axis for d in drawn for name, axis in d.axes.items()})
    return fig


def _add_findings(fig: go.Figure, line: Line, verdict: Verdict, chosen: Sequence[DrumFinding], length_m: float) -> None:
    spans = [(f.start_m, f.end_m) for f in chosen]
    names = [lane_of(f.finding, line) for f in chosen]
    texts = [hover(f, line) for f in chosen]
    hatch = {"shape": "/", "size": 6, "solidity": 0.35, "fgcolor": GREY, "bgcolor": "rgba(0,0,0,0)"}
    fig.add_bar(
        y=names,
        x=[b - a for a, b in spans],
        base=[a for a, _ in spans],
        orientation="h",
        name=verdict.word,
        hovertext=texts,
        hoverinfo="text",
        marker={
            "color": COLOUR[verdict],
            "line": {"color": COLOUR[verdict], "width": 1.5},
            **({"pattern": hatch} if verdict is Verdict.UNVERIFIED else {}),
        },
    )
    short = [i for i, (a, b) in enumerate(spans) if b - a < length_m / 150]
    fig.add_scatter(
        x=[sum(spans[i]) / 2 for i in short],
        y=[names[i] for i in short],
        mode="markers",
        name=f"{verdict.word}, short",
        hovertext=[texts[i] for i in short],
        hoverinfo="text",
        marker={
            "symbol": SHAPE.get(verdict, "circle"),
            "size": 9,
            "color": COLOUR[verdict],
            "line": {"width": 1, "color": COLOUR[verdict]},
        },
    )


def hover(found: DrumFinding, line: Line) -> str:
    """Tooltip: verdict, text, and both coordinates."""
    outer = f"{format.metres(found.outer_start_m)} to {format.metres(found.outer_end_m)} m from the outer end"
    return (
        f"<b>{found.finding.verdict.word}</b>: {sentence(found.finding, line)}<br>"
        f"drum metre {format.metres(found.start_m)} to {format.metres(found.end_m)} m<br>{outer}"
    )


@dataclass(slots=True)
class Drawn:
    """What a strip needs of the layout."""

    axes: Props
    shapes: list[Props]
    annotations: list[Props]


def _add_strip(fig: go.Figure, i: int, strip: MapStrip, drum: WholeDrum, bottom: float, height: float) -> Drawn:
    axis, metre, rows = f"y{i + 2}", drum.metre_m, drum.columns
    low, high = strip.band or (f"{strip.column}/min", f"{strip.column}/max")
    values, lows, highs = (_at_most(rows.get(name), strip.most) for name in (strip.column, low, high))
    assert values is not None
    place, least, most = envelope(metre, values, lows, highs, STRIP_POINTS)
    own = {
        "domain": [bottom + 0.1 * height, bottom + 0.9 * height],
        "anchor": "free",
        "position": 0,
        "fixedrange": True,
        "nticks": 4,
        "showgrid": True,
        "zeroline": False,
        "autorangeoptions": {"include": list(strip.limits.values())},
    }
    shared = {"yaxis": axis, "mode": "lines", "line": {"width": 1, "color": GREY}, "connectgaps": False}
    fig.add_scatter(x=place, y=least, name=strip.title, hoverinfo="skip", **shared)
    fig.add_scatter(
        x=place,
        y=most,
        name=strip.title,
        fill="tonexty",
        fillcolor="rgba(128,134,140,0.35)",
        customdata=[
            f"drum metre {format.number(x, 'm')} m<br>{strip.title} {format.quantity(y, strip.unit)}"
            for x, y in zip(place, most, strict=True)
        ],
        hovertemplate="%{customdata}<extra></extra>",
        **shared,
    )
    if strip.band:
        middle = envelope(metre, values, None, None, STRIP_POINTS)
        fig.add_scatter(x=place, y=middle[1], name=strip.title, hoverinfo="skip", **shared | {"line": {"width": 1.6}})
    title = strip.title + (f" ({format.unit(strip.unit)})" if format.unit(strip.unit) else "")
    named = {
        "xref": "paper", "x": 0, "xanchor": "right", "xshift": -48, "yref": "paper", "y": bottom + 0.47 * height,
        "text": "<br>".join(wrap(title, 16)), "showarrow": False, "align": "right", "font": {"size": 11},
    }  # fmt: skip
    beside = {"xref": "paper", "x": 1, "xanchor": "left", "yref": axis, "showarrow": False, "font": {"size": 10}}
    across = {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "yref": axis}
    limits = strip.limits.items()
    return Drawn(
        {f"yaxis{i + 2}": own},
        [across | {"y0": at, "y1": at, "line": LIMIT_LINE[name]} for name, at in limits],
        [*(beside | {"y": at, "text": f" {name} {exact(at)}"} for name, at in limits), named],
    )


def _at_most(values: Floats | None, most: float | None) -> Floats | None:
    return values if values is None or most is None else np.minimum(values, most)


def envelope(
    metre: Floats, mean: Floats, least: Floats | None, most: Floats | None, points: int
) -> tuple[list[float], list[float | None], list[float | None]]:
    """Least and most of each group of metres, at most `points` groups; None where no metre of a group has data."""
    low, high = mean if least is None else least, mean if most is None else most
    if not len(metre):
        return [], [], []
    size = int(np.ceil(len(metre) / points))
    starts = np.arange(0, len(metre), size)
    unverified = np.bitwise_and.reduceat(np.isnan(low), starts)
    lows = np.fmin.reduceat(low, starts)
    highs = np.fmax.reduceat(high, starts)
    blank = [None if u else 0.0 for u in unverified.tolist()]
    lower = [b if b is None else round(v, 4) for b, v in zip(blank, lows.tolist(), strict=True)]
    upper = [b if b is None else round(v, 4) for b, v in zip(blank, highs.tolist(), strict=True)]
    return metre[starts].tolist(), lower, upper
