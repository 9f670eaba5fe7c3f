"""The page Lines: as much room for a row as there are lines, and the places that the browser fills."""

from dataclasses import replace

import pytest

from dashboard.pages.lines import layout as lines
from tests.dashboard.page_text import json_of


@pytest.mark.parametrize(
    ("count", "room"), [(1, "lines few"), (3, "lines few"), (4, "lines"), (5, "lines"), (6, "lines compact")]
)
def test_rows_are_as_large_as_the_number_of_lines_allows(context, count, room):
    one = context.configuration.lines["core-1"]
    many = context.configuration.model_copy(update={"lines": {f"core-{i}": one for i in range(count)}})
    shown = lines.content(replace(context, configuration=many))
    assert [part.className for part in shown if getattr(part, "id", "") == "lines"] == [room]


def test_the_browser_finds_what_it_fills(context):
    shown = json_of(lines.content(context))
    for place in ('"data-page": "lines"', '"id": "need"', '"id": "rejected"', '"href": "/health"'):
        assert place in shown
