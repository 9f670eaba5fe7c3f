"""The page Drums: the newest first, each with the metres that its ribbon shows."""

import pytest

from dashboard.pages.drums import layout as drums
from dashboard.text import format
from monitor.contract.record import Verdict
from monitor.evidence.inherited import whole_runs
from monitor.evidence.source import wound_m
from monitor.evidence.verdict_runs import lengths_m
from tests.dashboard.page_text import text_of


@pytest.fixture
def rows(context):
    _, listed, _ = drums.content(context)
    return [row.children for row in listed.children.children[2].children]


def test_every_drum_has_its_row_the_newest_first(context, rows):
    newest = context.record.drums(limit=40)
    assert [text_of(row[0]).split()[0] for row in rows] == [d.drum for d in newest]
    starts = [d.start_ms for d in newest]
    assert starts == sorted(starts, reverse=True)
    assert [text_of(row[1]).strip() for row in rows] == [context.configuration.lines[d.line].title for d in newest]


def test_its_metres_are_those_of_its_ribbon(context, rows):
    now = {row.line: row for row in context.record.lines_now()}
    for drum, row in zip(context.record.drums(limit=40), rows, strict=True):
        length = wound_m(context, drum, now[drum.line])
        metres = lengths_m(whole_runs(context, drum, length))
        counted = [format.number(metres[v], "m") for v in (Verdict.NONCONFORMING, Verdict.SUSPECT, Verdict.UNVERIFIED)]
        assert [cell.children for cell in row[6:]] == counted


def test_only_a_drum_that_is_being_wound_is_as_long_as_it_is_so_far(context, rows):
    for drum, row in zip(context.record.drums(limit=40), rows, strict=True):
        assert ("so far" in row[4].children) == (drum.end_m is None)
    assert any("so far" in row[4].children for row in rows)
    assert any("so far" not in row[4].children for row in rows)


def test_without_drums_it_says_when_the_first_begins(context, record, monkeypatch):
    monkeypatch.setattr(record, "drums", lambda *_, **__: [])
    assert "A drum starts when the first drum message of a line arrives." in text_of(drums.content(context))
