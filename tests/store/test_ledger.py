"""The ledger: what a batch adds to it is there after its commit, and whoever repeats a message is answered."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.messages import Stored
from monitor.contract.topics import Stream
from monitor.store.ledger import Ledger
from monitor.store.numbering import StreamNumbers

STREAM = Stream("core-1", "oven-a", "temperature")

messages = st.lists(st.tuples(st.integers(0, 2), st.integers(0, 20)), min_size=1, max_size=40)


def stamp(start: int, n: int) -> int:
    return 1_000_000 * (start + 1) + n


def test_whoever_repeats_is_answered_with_what_is_stored():
    ledger = Ledger()
    first = ledger.open_delta()
    assert first.add(STREAM, 7, 0, 1) == "new"
    ledger.merge(first)
    second = ledger.open_delta()
    assert second.add(STREAM, 7, 0, 1) == "stored"
    assert second.reports() == {(STREAM, 7, 0): Stored(n=0, first=0, start=7)}


def test_only_numberings_of_the_batch_are_reported():
    ledger = Ledger()
    first = ledger.open_delta()
    first.add(STREAM, 0, 0, 1)
    first.add(STREAM, 7, 0, 2)
    assert set(first.reports()) == {(STREAM, 0, 0), (STREAM, 7, 0)}
    ledger.merge(first)
    second = ledger.open_delta()
    second.add(STREAM, 7, 1, 3)
    assert second.reports() == {(STREAM, 7, 0): Stored(n=1, first=0, start=7)}


@given(st.lists(st.tuples(messages, st.booleans()), max_size=6))
def test_what_a_batch_adds_is_in_the_ledger_after_its_commit_only(batches):
    """A1: a batch that is not committed leaves no trace, and is taken whole when it comes again."""
    ledger, expected = Ledger(), StreamNumbers()
    for arrivals, committed in batches:
        before = {s: numbers.copy() for s, numbers in ledger.streams.items()}
        delta, trial = ledger.open_delta(), expected.copy()
        places = [delta.add(STREAM, start, n, stamp(start, n)) for start, n in arrivals]
        assert places == [trial.add(start, n, stamp(start, n)) for start, n in arrivals]
        assert ledger.streams == before
        if committed:
            ledger.merge(delta)
            expected = trial
        else:
            ledger.drop(delta)
        assert ledger.streams.get(STREAM, StreamNumbers()) == expected


def test_a_second_batch_is_not_begun_over_one_that_is_open_and_none_is_merged_twice():
    ledger = Ledger()
    delta = ledger.open_delta()
    with pytest.raises(RuntimeError, match="batch before"):
        ledger.open_delta()
    ledger.merge(delta)
    with pytest.raises(RuntimeError, match="open batch"):
        ledger.merge(delta)
