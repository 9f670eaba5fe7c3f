"""What stations and streams are called: one title never stands for two streams of a line."""

import pytest

from monitor.contract.config.titles import event_title, inside, station_title, stream_title
from tests.core.script import configuration

LINES = configuration().lines


@pytest.mark.parametrize("name", sorted(LINES))
def test_no_two_streams_of_a_line_have_one_title(name):
    titles = [stream_title(LINES[name], path) for path in LINES[name].streams]
    assert len(set(titles)) == len(titles)


def test_what_has_no_title_is_called_by_its_name():
    line = LINES["core-1"]
    assert stream_title(line, "old-gauge/wall-thickness") == "Old gauge wall thickness"
    assert station_title(line, "old-gauge") == "Old gauge"


def test_an_event_check_is_named_with_its_station_where_another_counts_the_same():
    line = LINES["core-1"]
    events = [s for s in line.stream if s.kind == "events"]
    assert events
    for settings in events:
        title = event_title(line, settings.path, "spark-fault")
        assert title.startswith("Spark fault")
        twice = sum(s.kind == "events" and s.quantity == settings.quantity for s in line.stream) > 1
        assert ("," in title) is twice


@pytest.mark.parametrize(("title", "within"), [("Oven B", "oven B"), ("IEC bench", "IEC bench"), ("X", "X"), ("", "")])
def test_within_a_sentence_only_words_lose_their_capital(title, within):
    assert inside(title) == within
