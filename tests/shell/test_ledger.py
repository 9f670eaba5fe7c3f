"""The ledger: each (stream, n) once, in any order, and how far a publisher may forget."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.topics import Stream
from monitor.shell.ledger import HOLE_LASTS_MS, Ledger, Spans

numbers = st.lists(st.integers(0, 30), min_size=1, max_size=60)


def stamp(n: int) -> int:
    return 1_000_000 + n


@given(numbers)
def test_each_number_is_taken_once_whatever_the_order(arrivals):
    spans, taken = Spans(), []
    taken += [n for n in arrivals if spans.add(n, stamp(n))]
    assert sorted(taken) == sorted(set(arrivals))
    assert all(n in spans for n in arrivals)
    assert all(n not in spans for n in set(range(-1, 32)) - set(arrivals))


@given(numbers)
def test_spans_rise_apart_from_each_other_and_upto_ends_the_first(arrivals):
    spans = Spans()
    for n in arrivals:
        spans.add(n, stamp(n))
    for (_, last, _), (first, _, _) in zip(spans.spans, spans.spans[1:], strict=False):
        assert first > last + 1
    first = min(arrivals)
    assert spans.upto == next(n for n in range(first, 40) if n + 1 not in arrivals)


@given(numbers)
def test_what_is_kept_as_text_comes_back(arrivals):
    spans = Spans()
    for n in arrivals:
        spans.add(n, stamp(n))
    assert Spans.read(spans.text()) == spans


def test_a_hole_is_given_up_when_the_streams_own_stamps_are_far_enough_past_it():
    spans = Spans()
    spans.add(1, 0)
    spans.add(3, 1000)
    spans.add(4, 1000 + HOLE_LASTS_MS)
    assert spans.upto == 1
    spans.add(5, 1001 + HOLE_LASTS_MS)
    assert spans.upto == 5
    assert not spans.add(2, 500)


def test_a_publisher_that_counts_anew_is_taken_and_its_repetitions_are_not():
    spans = Spans()
    for n in range(100):
        assert spans.add(n, 1000 + n)
    assert not spans.add(0, 1000)
    assert spans.add(0, 5000)
    assert spans.add(1, 5001)
    assert not spans.add(1, 5001)
    assert spans.upto == 1


def test_whoever_repeats_is_told_how_far_it_is_stored():
    ledger, stream = Ledger(), Stream("core-1", "oven-a", "temperature")
    first = ledger.open_delta()
    assert first.add(stream, 0, 1)
    ledger.merge(first)
    second = ledger.open_delta()
    assert not second.add(stream, 0, 1)
    assert second.streams[stream].upto == 0


@given(st.lists(st.tuples(numbers, st.booleans()), max_size=6))
def test_what_a_batch_adds_is_in_the_ledger_after_its_commit_only(batches):
    """A1: a batch that is not committed leaves no trace, and is taken whole when it comes again."""
    ledger, stream, expected = Ledger(), Stream("core-1", "oven-a", "temperature"), Spans()
    for arrivals, committed in batches:
        before = {s: spans.copy() for s, spans in ledger.streams.items()}
        delta, trial = ledger.open_delta(), expected.copy()
        assert [delta.add(stream, n, stamp(n)) for n in arrivals] == [trial.add(n, stamp(n)) for n in arrivals]
        assert ledger.streams == before
        if committed:
            ledger.merge(delta)
            expected = trial
        else:
            ledger.drop(delta)
        assert ledger.streams.get(stream, Spans()) == expected


def test_a_second_batch_is_not_begun_over_one_that_is_open_and_none_is_merged_twice():
    ledger = Ledger()
    delta = ledger.open_delta()
    with pytest.raises(RuntimeError, match="batch before"):
        ledger.open_delta()
    ledger.merge(delta)
    with pytest.raises(RuntimeError, match="open batch"):
        ledger.merge(delta)
