"""The page of one drum: findings in both coordinates, and the process history of a metre."""

from dashboard.pages import route
from dashboard.pages.drum import layout as drum
from tests.dashboard.page_text import json_of


def test_findings_stand_with_both_coordinates(context):
    page = json_of(route(context, "/drum/core-1/1-1042").content)
    assert "From outer end: start, m" in page
    # Second drum, known spark fault at 312 + 113 = 425 of 4000 m.
    assert "425.0" in page
    assert "3\u202f574.0" in page


def test_process_history_of_a_metre_that_is_not_there_gets_a_message(context, record):
    found = record.drum_named("core-1", "1-1042")
    assert "Metre 4\u202f000 is outside drum" in json_of(drum.history_table(context, found, 4000.0))
    assert "Process history at drum metre 700" in json_of(drum.history_table(context, found, 700.0))
