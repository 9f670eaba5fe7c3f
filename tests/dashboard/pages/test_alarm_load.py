"""The page Alarm load: what is counted, by line and by operator position."""

import pytest

from dashboard.pages.alarm_load import layout as alarm_load
from tests.dashboard.page_text import text_of


@pytest.mark.parametrize("span", alarm_load.SPANS_H)
@pytest.mark.parametrize("line", [alarm_load.ALL, "core-1"])
def test_alarm_load_counts_what_is_on_record(context, span, line):
    parts = alarm_load.answer(context, line, span)
    text = text_of(parts)
    assert "per 10 min per operator position" in text
    assert "Spark faults: spark fault" in text or line == "core-1"
    assert "Priorities" in text
