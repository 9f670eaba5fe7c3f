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


def test_cure_of_a_metre_in_words(configuration):
    row = {"cure/index-inner": 1.31, "cure/index-low": 0.66, "cure/index-high": 2.29}
    row |= {"cure/surface-peak": 182.9, "cure/degradation": 1e-6}
    said = drum._cure_words(row, configuration.recipes["core-2g5"].cure)
    assert said.startswith("Cure index at the conductor 1.31 (band 0.66 to 2.29; min. 1)")
    assert "not verified" in drum._cure_words({}, configuration.recipes["core-2g5"].cure)
