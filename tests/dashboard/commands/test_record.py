"""`everymetre record` prints what the page and the PDF of a drum say."""

from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from pypdf import PdfReader

from dashboard.commands import record as record_command
from dashboard.commands.record import text_of
from dashboard.print.sheet import sheet_of
from monitor.__main__ import main
from monitor.contract.reading import DrumRow
from monitor.evidence.record_types import ReleaseRecord
from monitor.evidence.release_record import record as record_of
from monitor.evidence.whole_drum import whole_drum
from tests.dashboard.fake_record import FakeRecord


@pytest.fixture
def drum(record: FakeRecord) -> DrumRow:
    return next(d for d in record.drums("core-1") if d.end_m)


@pytest.fixture
def words(monkeypatch: pytest.MonkeyPatch, record: FakeRecord, clock: Callable[[], float]) -> list[str]:
    """The command with the record of these tests, and the drum it is asked for."""
    monkeypatch.setattr(record_command, "StoreReader", lambda *_: record)
    monkeypatch.setattr("time.time", clock)
    monkeypatch.chdir(Path(__file__).parents[3])
    return ["record", "core-1"]


def test_the_text_says_what_the_sheet_says(words, context, drum, capsys):
    assert main([*words, drum.drum]) == 0
    printed = capsys.readouterr().out
    sheet = sheet_of(context, record_of(context, whole_drum(context, drum)))
    assert printed == text_of(sheet) + "\n"
    together = " ".join(printed.split())
    for text in (sheet.proposed, sheet.caution, *(value for _, value in sheet.facts)):
        assert " ".join(text.split()) in together


def test_json_is_the_whole_record_by_name_or_by_filling(words, context, drum, capsys):
    assert main([*words, drum.drum, "--json"]) == 0
    by_name = msgspec.json.decode(capsys.readouterr().out, type=ReleaseRecord)
    assert main([*words, "--filling", str(drum.filling), "--json"]) == 0
    assert by_name == msgspec.json.decode(capsys.readouterr().out, type=ReleaseRecord)
    assert by_name == record_of(context, whole_drum(context, drum))


def test_the_pdf_is_written(words, drum, tmp_path):
    assert main([*words, drum.drum, "--pdf", str(tmp_path / "sheet.pdf")]) == 0
    assert drum.drum in PdfReader(tmp_path / "sheet.pdf").pages[0].extract_text()


@pytest.mark.parametrize(
    ("more", "printed"),
    [(["none"], "no drum none of line core-1"), ([], "name a drum"), (["--filling", "99"], "no filling 99")],
)
def test_what_is_not_there_is_refused_with_what_to_do(words, more, printed, capsys):
    assert main([*words, *more]) == 2
    assert printed in capsys.readouterr().err


def test_a_line_that_is_not_there_is_refused(words, capsys):
    assert main(["record", "core-9", "x"]) == 2
    assert "no line core-9; this plant has core-1" in capsys.readouterr().err
