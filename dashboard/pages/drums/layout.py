"""Layout of Drums: found by name, line and recipe; the newest first, each with its ribbon and its signed decision."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TypedDict
from urllib.parse import parse_qs

import dash_mantine_components as dmc
from dash import dcc, html
from dash.development.base_component import Component

from dashboard.components import Children
from dashboard.components.fillings import drum_link
from dashboard.components.heading import heading
from dashboard.components.ribbon import legend, ribbon
from dashboard.components.table import table
from dashboard.context import Context
from dashboard.text import format
from monitor.contract.reading import DrumRow, DrumSearch
from monitor.contract.record import FillingKey, Finding, Verdict
from monitor.evidence.inherited import ribbons
from monitor.evidence.source import wound_m
from monitor.evidence.verdict_runs import Run

PAGE_OF = 40
HEAD = (
    "Drum", "Line", "Recipe", "Started", "Length, m", "Ribbon (start to end)", "Nonconf., m", "Suspect, m",
    "Unverified, m", "Decision",
)  # fmt: skip
NONE_YET = "No drums yet. A drum starts when the first drum message of a line arrives."
NONE_SUCH = "No drum on record matches. A part of the name is enough."


class SearchData(TypedDict):
    """What the browser remembers of a search."""

    name: str
    line: str | None
    recipe: str | None
    undecided: bool
    page: int


NEWEST: SearchData = {"name": "", "line": None, "recipe": None, "undecided": False, "page": 0}


def content(context: Context) -> Children:
    """The fields and the newest drums."""
    lines, recipes = context.configuration.lines, sorted(context.configuration.recipes)
    listed, older = listing(context, searched(NEWEST))
    return [
        html.Div(heading("Drums", "What is in each drum?"), className="top"),
        html.Div(
            [
                dmc.TextInput(id="drums-name", label="Name or part of it", debounce=400, w=200),
                dmc.Select(id="drums-line", label="Line", clearable=True, w=180,
                           data=[{"value": name, "label": line.title} for name, line in lines.items()]),
                dmc.Select(id="drums-recipe", label="Recipe", clearable=True, searchable=True, data=recipes, w=200),
                dmc.Checkbox(id="drums-undecided", label="Finished, no decision signed", mb=8),
            ],
            className="controls",
        ),
        html.Div(listed, id="drums-list"),
        html.Div(
            [
                dmc.Button("Newer", id="drums-newer", variant="default", disabled=True),
                dmc.Button("Older", id="drums-older", variant="default", disabled=not older),
                html.Span(id="drums-address"),
            ],
            className="controls",
        ),
        dcc.Store(id="drums-search", data=dict(NEWEST)),
        html.Div(legend(), className="under"),
    ]  # fmt: skip


def asked(context: Context, search: str) -> SearchData:
    """What an address such as `?name=10&line=core-1&undecided=yes&page=2` asks for."""
    query = {name: values[0] for name, values in parse_qs(search.removeprefix("?")).items()}
    line, recipe, page = query.get("line"), query.get("recipe"), query.get("page", "")
    return {
        "name": query.get("name", ""),
        "line": line if line in context.configuration.lines else None,
        "recipe": recipe if recipe in context.configuration.recipes else None,
        "undecided": query.get("undecided") == "yes",
        "page": int(page) - 1 if page.isdigit() and 0 < int(page) < 10**6 else 0,
    }


def searched(data: SearchData) -> DrumSearch:
    """What the record is asked for."""
    return DrumSearch(
        name=data["name"].strip(), line=data["line"], recipe=data["recipe"], undecided=data["undecided"],
        offset=data["page"] * PAGE_OF, limit=PAGE_OF,
    )  # fmt: skip


def found(context: Context, search: DrumSearch) -> tuple[Sequence[DrumRow], bool]:
    """One page of drums, and whether there are older ones."""
    drums = context.record.find_drums(replace(search, limit=search.limit + 1))
    return drums[: search.limit], len(drums) > search.limit


def listing(context: Context, search: DrumSearch) -> tuple[Component, bool]:
    """The table of one page, and whether there are older drums."""
    now = {row.line: row for row in context.record.lines_now()}
    drums, older = found(context, search)
    wound = [(drum, wound_m(context, drum, now.get(drum.line))) for drum in drums]
    decisions = context.record.decisions(drums)
    rows = [
        [*_row(context, *one, of), _decision(one[0], decisions)]
        for one, of in zip(wound, ribbons(context, wound), strict=True)
    ]
    which = f" {search.offset + 1} to {search.offset + len(rows)}, newest first" if rows else ""
    empty = NONE_YET if search == searched(NEWEST) else NONE_SUCH
    listed = table(f"Drums{which}", list(HEAD), rows, empty=empty, numeric=(4, 6, 7, 8), classes="drums")
    return listed, older


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


def _decision(drum: DrumRow, decisions: Mapping[FillingKey, Finding]) -> str:
    if drum.end_m is None:
        return "being wound"
    signed = decisions.get(drum.key)
    return "none" if signed is None else f"{signed.check}, {signed.by}"
