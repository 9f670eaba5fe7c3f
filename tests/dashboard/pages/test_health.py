"""The page Health: what was rejected, damaged or missed, and how old the newest data of each stream is."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from dashboard.context import Context
from dashboard.pages.health import layout as health
from dashboard.text import format
from tests.dashboard.conftest import NOW_S
from tests.dashboard.page_text import text_of

NOW_MS = round(NOW_S * 1e3)


def table(context: Context, begins: str) -> list[list[str]]:
    """Rows of the table whose caption begins so."""
    for made in _tables(health.content(context)):
        caption, _, body = made.children
        if caption.children.startswith(begins):
            return [[text_of(cell.children).strip() for cell in row.children] for row in body.children]
    raise AssertionError(begins)


def _tables(part: Any) -> Iterator[Any]:
    if isinstance(part, list):
        for one in part:
            yield from _tables(one)
    elif type(part).__name__ == "Table":
        yield part
    elif part is not None and not isinstance(part, str):
        yield from _tables(part.children)


def test_each_monitor_is_listed_with_its_problems_or_that_it_is_well(context, record, monkeypatch):
    (row,) = table(context, "Monitors")
    assert (row[0], row[2], row[3], row[5], row[6]) == ("all lines", "0.3 s", "4", "80.0 GiB", "OK")
    (well,) = record.health()
    ill = replace(well, lag_s=40.0, disk_free_bytes=0)
    monkeypatch.setattr(record, "health", lambda: [ill])
    (row,) = table(context, "Monitors")
    assert row[5] == "0.0 GiB"
    assert "disk nearly full" in row[6]
    assert "the newest data is 40 s old" in row[6]


def test_rejected_messages_are_listed_the_latest_first_with_reason_and_count(context):
    rows = table(context, "Rejected messages")
    assert [(row[0], row[1], row[2]) for row in rows] == [
        ("core-2", "unknown stream", "128"),
        ("core-1", "not JSON", "3"),
    ]
    assert "add it to lines/core-2.toml" in rows[0][5]


def test_a_damaged_file_is_named_with_what_is_wrong(context):
    assert table(context, "Damaged files") == [["core-1", "drums/core-1/000001.parquet", "missing"]]


def test_every_stream_has_the_age_of_its_newest_sample_or_that_there_is_none(context, record, monkeypatch):
    rows = table(context, "Newest stored sample")
    assert [row[2] for row in rows] == [s.path for line in context.configuration.lines.values() for s in line.stream]
    newest = {"head/pressure": NOW_MS - 125_000, "oven-a/temperature": NOW_MS + 5_000}
    monkeypatch.setattr(record, "newest_ms", lambda line: newest if line == "core-1" else {})
    by_path = {(row[0], row[2]): row for row in table(context, "Newest stored sample")}
    one, two = (context.configuration.lines[name].title for name in ("core-1", "core-2"))
    assert by_path[one, "head/pressure"][3:] == [format.local(NOW_MS - 125_000, context.zone, day=True), "2 min"]
    assert by_path[one, "oven-a/temperature"][4] == "0 s"  # its clock is ahead
    assert by_path[two, "head/pressure"][3:] == ["no data received yet", ""]


def test_gaps_of_the_last_day_are_listed_by_their_numbers(context, record, monkeypatch):
    asked = []

    def gaps(line: str, start_ms: int, end_ms: int) -> list[tuple[str, int, int, int]]:
        asked.append((start_ms, end_ms))
        return [("head/pressure", 5120, 5123, NOW_MS)] if line == "core-1" else []

    monkeypatch.setattr(record, "gaps", gaps)
    (row,) = table(context, "Missing messages")
    assert row[1:3] == ["head/pressure", "5\u202f120 to 5\u202f123"]
    assert set(asked) == {(NOW_MS - 86_400_000, NOW_MS)}


@pytest.mark.parametrize(
    ("begins", "of"), [("Rejected", "rejected"), ("Damaged", "damaged_files"), ("Monitors", "health")]
)
def test_where_there_is_nothing_that_is_reported(context, record, monkeypatch, begins, of):
    monkeypatch.setattr(record, of, list)
    ((text,),) = table(context, begins)
    assert text in ("None.", "None found.", "No monitor has reported yet.")
