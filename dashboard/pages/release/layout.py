"""Layout of the drum record: evidence for its metres and their ancestry, and reasons to hold."""

import dash_mantine_components as dmc
from dash import dcc, html

from dashboard.components import Children, FillingData, attributes
from dashboard.components.fillings import fillings
from dashboard.components.ribbon import ribbon
from dashboard.components.table import table
from dashboard.context import Context
from dashboard.print.sheet import Sheet, sheet_of
from dashboard.text.addresses import question, way_to
from dashboard.text.format import exact
from monitor.contract.reading import DrumRow
from monitor.evidence.release_record import record
from monitor.evidence.whole_drum import whole_drum

DECISIONS = ("release", "hold", "scrap")


def content(context: Context, drum: DrumRow) -> Children:
    """The sheet: A4 when printed; below it, on the screen, the forms."""
    return [
        html.Div(_sheet(context, drum), id="release-sheet", **attributes(page="release")),
        html.Div(_forms(context, drum), className="no-print forms"),
        dcc.Store(id="release-drum", data={"line": drum.line, "filling": drum.filling}),
    ]


def _sheet(context: Context, drum: DrumRow) -> Children:
    whole = whole_drum(context, drum)
    sheet = sheet_of(context, record(context, whole))
    return [
        html.Div(
            [
                html.H1(sheet.title),
                html.A("PDF", href=f"/api/v1/release.pdf?{question(drum)}", className="no-print"),
                html.A("JSON", href=f"/api/v1/release?{question(drum)}", className="no-print"),
                dcc.Link("Traceability", href=way_to("traceability", drum.line, drum.filling), className="no-print"),
            ],
            className="top",
        ),
        *fillings(context, "release", drum, whole.named_alike),
        *([html.P(sheet.decided, className="outcome", id="release-decided")] if sheet.decided else []),
        html.P(sheet.proposed, className=f"outcome{' bad' if sheet.held else ''}", id="release-proposed"),
        html.Dl([html.Div([html.Dt(k), html.Dd(v)]) for k, v in sheet.facts], className="facts"),
        html.Div(ribbon(whole.runs, whole.length_m, None, size="tall")),
        *_tables(sheet),
        *(html.P(statement) for statement in sheet.statements),
        html.P(sheet.caution, className="release-caution"),
        html.Div([html.P(w) for w in ("Decision", "Name", "Signature", "Date")], className="signature"),
    ]


def _tables(sheet: Sheet) -> Children:
    return [
        table(t.caption, list(t.head), [list(row) for row in t.rows], empty=t.empty, numeric=t.numeric)
        for t in sheet.tables
    ]


def _forms(context: Context, drum: DrumRow) -> Children:
    """A decision to sign, and a resistance to record."""
    recipe = context.recipe(drum.line, drum.recipe, drum.revision)
    signs = [
        html.H2("Sign"),
        html.P("Your decision is entered in the audit trail with your name. It does not change any verdict and "
               "does not release the drum.",
               className="note"),
        html.Div(
            [
                dmc.Select(id="sign-decision", label="Decision", data=[{"value": d, "label": d} for d in DECISIONS],
                           value="hold", allowDeselect=False, w=140),
                dmc.TextInput(id="sign-by", label="Name", w=180),
                dmc.TextInput(id="sign-reason", label="Reason", w=360),
                dmc.Button("Sign", id="sign-do", mt=24),
            ],
            className="controls",
        ),
        html.P(id="sign-message", role="status"),
    ]  # fmt: skip
    if recipe is None or recipe.conductor is None or drum.end_m is None:
        return [*signs, *_hidden()]
    most = f"{exact(recipe.conductor.section_mm2)} mm2, class {recipe.conductor.conductor_class}"
    return [
        *signs,
        html.H2("Conductor resistance"),
        html.P(f"Measured over the whole length; {most} by IEC 60228. Competent persons only. Disconnect and "
               "earth the conductor first.",
               className="note"),
        html.Div(
            [
                dmc.NumberInput(id="ohm", label="Resistance", suffix=" ohm", min=0, decimalScale=4, w=150),
                dmc.NumberInput(id="ohm-at", label="Conductor temperature", suffix=" \N{DEGREE SIGN}C", value=20,
                                w=130),
                dmc.TextInput(id="ohm-by", label="Name", w=180),
                dmc.Button("Save", id="ohm-do", mt=24),
            ],
            className="controls",
        ),
        html.P(id="ohm-message", role="status"),
    ]  # fmt: skip


def _hidden() -> Children:
    """Hidden fields for the callbacks where there is nothing to measure."""
    fields = [dmc.NumberInput(id=name, style={"display": "none"}) for name in ("ohm", "ohm-at")]
    return [*fields, dmc.TextInput(id="ohm-by", style={"display": "none"}), html.P(id="ohm-message"),
            dmc.Button(id="ohm-do", style={"display": "none"})]  # fmt: skip


def again(context: Context, of: FillingData) -> Children | None:
    """The sheet again, with what was added since."""
    drum = context.record.drum(of["line"], of["filling"])
    return None if drum is None else _sheet(context, drum)
