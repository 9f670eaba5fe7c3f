"""Layout of Traceability: related drums from core to reel, metre by metre."""

import dash_mantine_components as dmc
from dash import dcc, html

from dashboard.components import Children, attributes
from dashboard.components.fillings import drum_link, fillings
from dashboard.components.ribbon import ribbon
from dashboard.components.table import table
from dashboard.context import Context
from dashboard.queries.ribbon import place_percent
from dashboard.text import format
from dashboard.text.addresses import way_to
from monitor.analysis.lineage import Lineage
from monitor.contract.reading import DrumRow
from monitor.evidence.inherited import RelatedMetres, lineage_of, related_metres, whole_runs
from monitor.evidence.source import length_m, named_alike

MET = ("degC", "kV", "mm", "%")


def content(context: Context, drum: DrumRow) -> Children:
    """The whole family, and a metre to follow through it."""
    length = length_m(context, drum)
    line = context.configuration.lines[drum.line]
    return [
        html.Div(
            [
                html.H1(f"Traceability of drum {drum.drum}"),
                html.P("Its input drums, and the drums and reels made from it", className="asked"),
                drum_link(drum),
                dcc.Link("Drum record (printable)", href=way_to("release", drum.line, drum.filling)),
            ],
            className="top",
            **attributes(page="traceability"),
        ),
        *fillings(context, "traceability", drum, named_alike(context, drum)),
        html.P(
            f"{line.title}, {format.quantity(length, 'm')}. A drum unwinds from its outer end, so the metre order "
            "reverses at every process; one metre of laid-up cable uses slightly more than one metre of each core "
            "(lay factor).", className="note",
        ),
        dmc.NumberInput(
            id="traceability-metre", label="Trace drum metre", suffix=" m", min=0, max=max(length, 0.0), step=1, w=180,
            value=round(length / 2), debounce=300,
        ),
        html.Div(id="traceability-answer"),
        dcc.Store(id="traceability-drum", data={"line": drum.line, "filling": drum.filling}),
    ]  # fmt: skip


def answer(context: Context, drum: DrumRow, metre: float | None) -> Children:
    """Ribbons of all related drums, the earliest process first, with the metre marked; and its values at each."""
    lineage, length = lineage_of(context), length_m(context, drum)
    whole = related_metres(lineage, drum, 0.0, length)
    at = None if metre is None or not 0 <= metre <= length else metre
    here = related_metres(lineage, drum, max(at - 0.5, 0.0), min(at + 0.5, length)) if at is not None else []
    return [_ribbons(context, lineage, whole, here), _followed(context, here, at), _orphans(lineage, drum)]


def _ribbons(context: Context, lineage: Lineage, whole: list[RelatedMetres], here: list[RelatedMetres]) -> html.Div:
    rows = []
    for key in dict.fromkeys(k.key for k in whole):
        of = [k for k in whole if k.key == key]
        marks = [k for k in here if k.key == key]
        rows.append(_row(context, lineage, of, marks))
    head = ["Drum", "Process", "Metre range in this drum", "Ribbon (start to end), with the metre marked"]
    return table("Related drums, earliest process first", head, rows, empty="", classes="drums family", numeric=(2,))


def _row(context: Context, lineage: Lineage, of: list[RelatedMetres], marks: list[RelatedMetres]) -> Children:
    first, last = min(k.start_m for k in of), max(k.end_m for k in of)
    span = f"{format.metres(first)} to {format.metres(last)}"
    drum = of[0].drum
    if drum is None or drum.line not in context.configuration.lines:
        return [of[0].name, "not recorded in this system", span, ""]
    length = length_m(context, drum)
    strip = html.Div(
        [ribbon(whole_runs(context, drum, length, lineage), length, None, size="small"),
         *(_mark(k, length) for k in marks)],
        className="marked",
    )  # fmt: skip
    title = context.configuration.lines[drum.line].title
    return [drum_link(drum), title, span, strip]


def _mark(k: RelatedMetres, length: float) -> html.Span:
    left, _ = place_percent((k.start_m + k.end_m) / 2, k.end_m, max(length, 1.0))
    return html.Span(className="followed", style={"left": f"{left:.3f}%"}, title=f"{format.metres(k.start_m)} m")


def _followed(context: Context, here: list[RelatedMetres], at: float | None) -> html.Div:
    if at is None:
        return html.Div(html.P("Enter a metre to trace."))
    rows = [row for k in here if (row := _met(context, k)) is not None]
    return table(
        f"Drum metre {format.metres(at)} at each process, earliest first",
        ["Drum", "Process", "Drum metre", "When", "Process values", "Details"], rows,
        empty="No data.", numeric=(2,),
        classes="history-table",
    )  # fmt: skip


def _met(context: Context, k: RelatedMetres) -> Children | None:
    if k.drum is None or k.drum.line not in context.configuration.lines:
        return [k.name, "not recorded in this system", format.metres((k.start_m + k.end_m) / 2), "", "", ""]
    drum, line = k.drum, context.configuration.lines[k.drum.line]
    metre = (k.start_m + k.end_m) / 2
    if metre > length_m(context, drum):
        return None
    whole = float(int(drum.start_m + metre))
    row = context.record.rows(drum.line, whole, whole + 1)
    recipe = context.recipe(drum.line, drum.recipe, drum.revision)
    judged = {w.stream for w in recipe.window} if recipe else set()
    parts = [
        f"{s.title or s.quantity} {format.quantity(float(row[s.path][0]), s.unit)}"
        for s in line.stream
        if s.unit in MET and s.path in judged & row.keys() and len(row[s.path]) and row[s.path][0] == row[s.path][0]
    ]
    index = row.get("cure/index-inner")
    if index is not None and len(index) and index[0] == index[0]:
        parts.append(f"cure index {format.number(float(index[0]), '')}")
    when = context.record.time_at(drum.line, drum.start_m + metre + line.take_up_m - line.counter_m)
    link = f"{way_to('drum', drum.line, drum.filling)}?metre={metre:.0f}"
    return [
        drum_link(drum), line.title, format.metres(metre),
        format.local(when, context.zone, day=True) if when is not None else "no data",
        "; ".join(parts), dcc.Link("process history", href=link),
    ]  # fmt: skip


def _orphans(lineage: Lineage, drum: DrumRow) -> html.Div:
    found = lineage.without_parent(drum)
    if not found:
        return html.Div()
    parts = "; ".join(
        f"{format.metres(o.start_m)} to {format.metres(o.end_m)} m at {o.pay_off} ({o.why})" for o in found
    )
    return html.Div(html.P(f"No input drum recorded for: {parts}.", className="outcome bad"))
