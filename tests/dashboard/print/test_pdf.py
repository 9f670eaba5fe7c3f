"""The record as PDF: every word of the sheet, the same bytes for the same sheet, and verdicts without colour too."""

from collections.abc import Callable
from dataclasses import replace
from io import BytesIO

import pytest
from pypdf import PdfReader

from dashboard.context import Context
from dashboard.print.pdf import PrintedRibbon, pdf
from dashboard.print.sheet import Sheet, SheetTable, sheet_of
from monitor.contract.reading import DrumRow
from monitor.contract.record import Verdict
from monitor.evidence.release_record import record as record_of
from monitor.evidence.verdict_runs import Run
from monitor.evidence.whole_drum import WholeDrum, whole_drum


@pytest.fixture
def whole(context: Context, drum: DrumRow) -> WholeDrum:
    return whole_drum(context, drum)


@pytest.fixture
def sheet(context: Context, whole: WholeDrum) -> Sheet:
    return sheet_of(context, record_of(context, whole))


def text_of(printed: bytes) -> str:
    """As one line, with the dashes and spaces that the font has."""
    read = " ".join(page.extract_text() for page in PdfReader(BytesIO(printed)).pages)
    return " ".join(read.replace("\xa0", " ").split())


def as_printed(text: str) -> str:
    return " ".join(text.replace("\N{NARROW NO-BREAK SPACE}", " ").replace("\N{MINUS SIGN}", "\N{EN DASH}").split())


def test_it_holds_title_proposal_facts_and_caution_of_the_sheet(sheet, whole):
    printed = text_of(pdf(sheet, whole))
    for text in (sheet.title, sheet.proposed, sheet.caution, *(value for _, value in sheet.facts), *sheet.statements):
        assert as_printed(text) in printed
    for table in sheet.tables:
        assert as_printed(table.caption) in printed


def test_the_same_sheet_gives_the_same_bytes(sheet, whole):
    assert pdf(sheet, whole) == pdf(sheet, whole)


def test_a_sign_of_markup_is_printed_as_it_is_and_a_table_without_rows_says_so(sheet, whole):
    bare = SheetTable(caption="Marks <b> & co", head=("a",), rows=(), empty="None at all.")
    printed = text_of(pdf(replace(sheet, tables=(bare,)), whole))
    assert "Marks <b> & co" in printed
    assert "None at all." in printed


def test_a_long_table_repeats_its_head_on_every_page(sheet, whole):
    rows = tuple((f"row {i}", str(i)) for i in range(200))
    long = SheetTable(caption="Long", head=("Head of rows", "Number"), rows=rows, numeric=(1,))
    pages = PdfReader(BytesIO(pdf(replace(sheet, tables=(long,)), whole))).pages
    with_rows = [page.extract_text() for page in pages if "row 1" in page.extract_text()]
    assert len(with_rows) >= 3
    assert all("Head of rows" in text for text in with_rows)
    assert all(f"page {i + 1}" in page.extract_text() for i, page in enumerate(pages))


class Canvas:
    """What was drawn: (name, arguments)."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, tuple[object, ...]]] = []

    def __getattr__(self, name: str) -> Callable[..., "Canvas"]:
        def draw(*given: object, **_: object) -> "Canvas":
            self.calls.append((name, given))
            return self

        return draw


def test_runs_of_the_ribbon_lie_in_proportion_and_only_unverified_ones_are_hatched():
    runs = [Run(0, 50, Verdict.CONFORMING), Run(50, 75, Verdict.UNVERIFIED), Run(75, 100, Verdict.NONCONFORMING)]
    for shown, hatched in ((runs, True), (runs[:1] + runs[2:], False)):
        ribbon = PrintedRibbon(shown, 100.0)
        ribbon.canv = canvas = Canvas()
        ribbon.draw()
        boxes = [given for name, given in canvas.calls if name == "rect" and len(given) == 4][: len(shown)]
        boxes = [given for given in boxes if given[3] == boxes[0][3]]
        width, _ = ribbon.wrap()
        assert boxes[0][0] == 0
        assert boxes[0][2] == pytest.approx(width / 2)
        assert any(name == "line" for name, _ in canvas.calls) is hatched
        assert ("drawRightString", (width, canvas.calls[-1][1][1], "100.0 m")) == canvas.calls[-1]
