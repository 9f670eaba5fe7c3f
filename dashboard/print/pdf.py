"""The record of a drum as a PDF on A4, by ReportLab: the same text and tables as the page."""

from collections.abc import Callable, Sequence
from io import BytesIO
from xml.sax.saxutils import escape

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    KeepTogether,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    Table,
    TableStyle,
)

from dashboard.print.sheet import Sheet, SheetTable
from dashboard.queries.ribbon import place_percent
from dashboard.text.format import fixed
from monitor.contract.record import Verdict
from monitor.evidence.verdict_runs import Run
from monitor.evidence.whole_drum import WholeDrum

INK, GREY, PALE = HexColor("#1b1e21"), HexColor("#8a9096"), HexColor("#e4e7ea")
COLOUR = {
    Verdict.CONFORMING: GREY,
    Verdict.SUSPECT: HexColor("#e69f00"),
    Verdict.UNVERIFIED: PALE,
    Verdict.NONCONFORMING: HexColor("#d55e00"),
}
TEXT = ParagraphStyle("text", fontName="Helvetica", fontSize=9, leading=12, textColor=INK, spaceAfter=4)
HEAD = ParagraphStyle("head", TEXT, fontName="Helvetica-Bold", fontSize=16, leading=20, spaceAfter=6)
CAPTION = ParagraphStyle("caption", TEXT, fontName="Helvetica-Bold", spaceBefore=8, spaceAfter=2)
CELL = ParagraphStyle("cell", TEXT, fontSize=8, leading=10, spaceAfter=0)
RIGHT = ParagraphStyle("right", CELL, alignment=2)
BOLD = ParagraphStyle("bold", TEXT, fontName="Helvetica-Bold")
WIDTH = A4[0] - 36 * mm
# Helvetica has neither: a space and a dash of the same width replace them.
PRINTED = str.maketrans({"\N{NARROW NO-BREAK SPACE}": "\N{NO-BREAK SPACE}", "\N{MINUS SIGN}": "\N{EN DASH}"})


class PrintedRibbon(Flowable):  # type: ignore[misc]  # ReportLab has no types
    """The ribbon: a drum from 0 to its length; unverified is hatched, so that it reads without colour."""

    def __init__(self, of: Sequence[Run], length_m: float) -> None:
        super().__init__()
        self.of, self.length_m = of, max(length_m, 1.0)

    def wrap(self, *_room: float) -> tuple[float, float]:
        return WIDTH, 9 * mm

    def draw(self) -> None:
        canvas: Canvas = self.canv
        for run in self.of:
            left, width = place_percent(run.start_m, run.end_m, self.length_m)
            x, w = left / 100 * WIDTH, max(width / 100 * WIDTH, 0.6)
            canvas.setFillColor(COLOUR[run.verdict])
            canvas.rect(x, 3.5 * mm, w, 5 * mm, stroke=0, fill=1)
            if run.verdict is Verdict.UNVERIFIED:
                self._hatch(canvas, x, w)
        canvas.setFillColor(INK)
        canvas.setFont("Helvetica", 7)
        canvas.drawString(0, 0.5 * mm, "0 m")
        canvas.drawRightString(WIDTH, 0.5 * mm, f"{fixed(self.length_m, 1)} m".translate(PRINTED))

    def _hatch(self, canvas: Canvas, x: float, w: float) -> None:
        canvas.saveState()
        path = canvas.beginPath()
        path.rect(x, 3.5 * mm, w, 5 * mm)
        canvas.clipPath(path, stroke=0)
        canvas.setStrokeColor(GREY)
        for at in range(int(x) - 15, int(x + w) + 15, 4):
            canvas.line(at, 3.5 * mm, at + 5 * mm, 8.5 * mm)
        canvas.restoreState()


def pdf(sheet: Sheet, drum: WholeDrum) -> bytes:
    """The sheet and the ribbon as the bytes of a PDF; the same sheet gives the same bytes."""
    out = BytesIO()
    document = SimpleDocTemplate(
        out, pagesize=A4, leftMargin=18 * mm, rightMargin=18 * mm, topMargin=16 * mm, bottomMargin=18 * mm,
        title=sheet.title, author="everymetre", invariant=1,
    )  # fmt: skip
    story: list[Flowable] = [
        Paragraph(_text(sheet.title), HEAD),
        *([Paragraph(_text(sheet.decided), BOLD)] if sheet.decided else []),
        Paragraph(_text(sheet.proposed), BOLD),
        _facts(sheet),
        Spacer(1, 3 * mm),
        PrintedRibbon(drum.runs, drum.length_m),
    ]
    for block in sheet.tables:
        story += _block(block)
    story += [Spacer(1, 3 * mm), *(Paragraph(_text(statement), TEXT) for statement in sheet.statements)]
    story.append(KeepTogether([Paragraph(_text(sheet.caution), BOLD), Spacer(1, 6 * mm), _signature()]))
    document.build(story, onFirstPage=_footer(sheet), onLaterPages=_footer(sheet))
    return out.getvalue()


def _text(text: str) -> str:
    return escape(text.translate(PRINTED))


def _facts(sheet: Sheet) -> Table:
    cells = [[Paragraph(_text(k), CELL), Paragraph(_text(v), CELL)] for k, v in sheet.facts]
    half = -(-len(cells) // 2)
    rows = [cells[i] + (cells[i + half] if i + half < len(cells) else ["", ""]) for i in range(half)]
    widths = [0.12 * WIDTH, 0.38 * WIDTH] * 2
    return Table(
        rows, colWidths=widths, style=[("TOPPADDING", (0, 0), (-1, -1), 1), ("VALIGN", (0, 0), (-1, -1), "TOP")]
    )


def _block(block: SheetTable) -> list[Flowable]:
    caption = Paragraph(_text(block.caption), CAPTION)
    if not block.rows:
        return [caption, Paragraph(_text(block.empty or "Nothing."), TEXT)]
    right = set(block.numeric)
    cells = [
        [Paragraph(_text(text), RIGHT if i in right else CELL) for i, text in enumerate(row)]
        for row in (block.head, *block.rows)
    ]
    shares = [0.6 if i in right else 1.4 for i in range(len(block.head))]
    widths = [WIDTH * share / sum(shares) for share in shares]
    style = TableStyle(
        [("LINEBELOW", (0, 0), (-1, 0), 0.8, INK), ("LINEBELOW", (0, 1), (-1, -1), 0.25, PALE),
         ("TOPPADDING", (0, 0), (-1, -1), 1.5), ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5)]
    )  # fmt: skip
    return [caption, Table(cells, colWidths=widths, style=style, repeatRows=1)]


def _signature() -> Table:
    words = ["Decision", "Name", "Signature", "Date"]
    return Table([["", "", "", ""], words], colWidths=[WIDTH / 4] * 4, rowHeights=[10 * mm, 5 * mm], style=TableStyle(
        [("LINEABOVE", (0, 1), (-1, 1), 0.6, INK), ("FONT", (0, 1), (-1, 1), "Helvetica", 8)]
    ))  # fmt: skip


def _footer(sheet: Sheet) -> Callable[[Canvas, BaseDocTemplate], None]:
    def draw(canvas: Canvas, document: BaseDocTemplate) -> None:
        canvas.setFont("Helvetica", 7)
        canvas.setFillColor(INK)
        canvas.drawString(18 * mm, 9 * mm, f"{sheet.title}. {sheet.caution}".translate(PRINTED))
        canvas.drawRightString(A4[0] - 18 * mm, 9 * mm, f"page {document.page}")

    return draw
