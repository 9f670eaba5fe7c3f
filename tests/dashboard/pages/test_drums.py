"""The page Drums: the newest first, each with the metres that its ribbon shows."""

from typing import Any, cast

import pytest

from dashboard.context import Context
from dashboard.pages.drums import layout as drums
from dashboard.pages.drums.layout import SearchData
from dashboard.text import format
from monitor.contract.record import FindingKind, Verdict
from monitor.evidence.inherited import whole_runs
from monitor.evidence.source import wound_m
from monitor.evidence.verdict_runs import lengths_m
from tests.core.script import finding
from tests.dashboard.page_text import text_of


@pytest.fixture
def rows(context: Context) -> list[Any]:
    listed, _ = drums.listing(context, drums.searched(drums.NEWEST))
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
        assert [cell.children for cell in row[6:9]] == counted


def test_only_a_drum_that_is_being_wound_is_as_long_as_it_is_so_far(context, rows):
    for drum, row in zip(context.record.drums(limit=40), rows, strict=True):
        assert ("so far" in row[4].children) == (drum.end_m is None)
    assert any("so far" in row[4].children for row in rows)
    assert any("so far" not in row[4].children for row in rows)


def test_without_drums_it_says_when_the_first_begins(context, record, monkeypatch):
    monkeypatch.setattr(record, "find_drums", lambda _: [])
    assert "A drum starts when the first drum message of a line arrives." in text_of(drums.content(context))


def names(context: Context, **asked: Any) -> tuple[list[str], bool]:
    found, older = drums.found(context, drums.searched(cast(SearchData, {**drums.NEWEST, **asked})))
    return [d.drum for d in found], older


def test_any_part_of_a_name_finds_a_drum_however_old(context):
    """D5: only the newest 40 could be found."""
    oldest = context.record.drums(limit=10**6)[-1]
    assert oldest.drum in names(context, name=oldest.drum[1:].lower())[0]


def test_pages_together_are_all_drums_once(context, monkeypatch):
    monkeypatch.setattr(drums, "PAGE_OF", 3)
    together: list[str] = []
    page, older = 0, True
    while older:
        found, older = names(context, page=page)
        together, page = together + found, page + 1
    assert together == [d.drum for d in context.record.drums(limit=10**6)]
    assert page > 1


def test_a_search_without_a_drum_says_what_to_try(context):
    listed, older = drums.listing(context, drums.searched({**drums.NEWEST, "name": "no such drum"}))
    assert "A part of the name is enough." in text_of(listed)
    assert not older


@pytest.mark.parametrize(
    ("address", "wanted"),
    [
        ("?name=10&line=core-1&undecided=yes&page=2", {"name": "10", "line": "core-1", "undecided": True, "page": 1}),
        ("?line=no-line&recipe=none&page=-3", {}),
        ("?page=1000000000000", {}),
        ("", {}),
    ],
)
def test_an_address_asks_for_what_the_works_has(context, address, wanted):
    assert drums.asked(context, address) == {**drums.NEWEST, **wanted}


def test_a_signed_decision_is_listed_and_leaves_the_undecided(context, record, monkeypatch):
    """D6: the list showed no decision."""
    drum = next(d for d in record.drums("core-1") if d.end_m)
    signed = finding(drum.start_m, drum.end_m, FindingKind.DECISION, check="scrap", by="Olle")
    monkeypatch.setattr(record, "decisions", lambda listed: {drum.key: signed} if drum in listed else {})
    listed, _ = drums.listing(context, drums.searched({**drums.NEWEST, "line": "core-1"}))
    rows = {
        text_of(row.children[0]).split()[0]: row.children[9].children for row in listed.children.children[2].children
    }
    assert rows[drum.drum] == "scrap, Olle"
    assert set(rows.values()) == {"scrap, Olle", "none", "being wound"}
    undecided, _ = names(context, undecided=True)
    assert drum.drum not in undecided
    assert undecided
