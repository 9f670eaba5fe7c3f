"""Layout of Drums: the newest first, each with its ribbon."""

from collections.abc import Sequence

from dash import html

from dashboard.components import Children
from dashboard.components.fillings import drum_link
from dashboard.components.heading import heading
from dashboard.components.ribbon import legend, ribbon
from dashboard.components.table import table
from dashboard.context import Context
from dashboard.text import format
from monitor.contract.reading import DrumRow
from monitor.contract.record import Verdict
from monitor.evidence.inherited import ribbons
from monitor.evidence.source import wound_m
from monitor.evidence.verdict_runs import Run


def content(context: Context) -> Children:
    """The list of drums."""
    now = {row.line: row for row in context.record.lines_now()}
    found = [(drum, wound_m(context, drum, now.get(drum.line))) for drum in context.record.drums(limit=40)]
    rows = [_row(context, *one, of) for one, of in zip(found, ribbons(context, found), strict=True)]
    head = [
        "Drum",
        "Line",
        "Recipe",
        "Started",
        "Length, m",
        "Ribbon (start to end)",
        "Nonconf., m",
        "Suspect, m",
        "Unverified, m",
    ]
    return [
        html.Div(heading("Drums", "What is in each drum?"), className="top"),
        table(
            "Drums, newest first",
            head,
            rows,
            empty="No drums yet. A drum starts when the first drum message of a line arrives.",
            numeric=(4, 6, 7, 8),
            classes="drums",
        ),
        html.Div(legend(), className="under"),
    ]


def _row(context: Context, drum: DrumRow, wound: float, of: Sequence[Run]) -> Children:
    metres = {v: sum(r.length_m for r in of if r.verdict is v) for v in Verdict}
    planned = drum.planned_length_m if drum.end_m is None else None
    wide = format.number(wound, "m") + (" so far" if drum.end_m is None else "")
    return [
        drum_link(drum),
        context.configuration.lines[drum.line].title,
        f"{drum.recipe} rev {drum.revision}",
        format.local(drum.start_ms, context.zone, day=True),
        wide,
        ribbon(of, wound, planned, size="small"),
        *(format.number(metres[v], "m") for v in (Verdict.NONCONFORMING, Verdict.SUSPECT, Verdict.UNVERIFIED)),
    ]
