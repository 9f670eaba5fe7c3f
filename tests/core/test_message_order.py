"""Order of a stream: each message once, in order, however the wire shuffles and repeats; holes are told."""

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.topics import Stream
from monitor.core.arrival import Block, Message
from monitor.core.message_order import StreamOrder
from tests.core.script import decoded

STREAM = Stream("core-1", "oven-a", "temperature")


def at(n: int, t_s: float, start: int = 0) -> Message:
    sample = Block(np.array([t_s]), np.array([290.0]))
    return Message(stream=STREAM, n=n, t_s=t_s, end_s=t_s, received_s=t_s, body=sample, start=start)


def push_all(order: StreamOrder, numbers: list[int]) -> list[int]:
    out = []
    for i, n in enumerate(numbers):
        out += [r.message.n for r in order.push(at(n, float(n)), 0.0, i)]
    return out


@given(st.permutations(range(12)), st.lists(st.integers(0, 11), max_size=8))
def test_shuffled_and_repeated_messages_leave_once_and_in_order(shuffled, repeats):
    order = StreamOrder(reorder_s=1e9, next_n=0)
    arrivals = shuffled + repeats
    assert push_all(order, arrivals) == list(range(12))
    assert order.late + order.duplicates == len(repeats)


@given(st.sets(st.integers(1, 30), min_size=1))
def test_what_never_comes_is_reported_as_holes_and_nothing_else_is_lost(missing):
    order = StreamOrder(reorder_s=2.0, next_n=0)
    sent = [n for n in range(33) if n not in missing]
    out = push_all(order, sent)
    released, holes = order.expire(newest_s=1e9, known_s=0.0)
    out += [r.message.n for r in released]
    assert out == sent
    reported = {n for hole in holes for n in range(hole.first, hole.last + 1)}
    assert reported == missing


def test_a_hole_is_waited_for_until_the_newest_stamp_is_far_enough():
    order = StreamOrder(reorder_s=2.0, next_n=0)
    assert push_all(order, [0, 2]) == [0]
    assert order.expire(3.9, 0.0) == ([], [])
    released, holes = order.expire(4.0, 3.0)
    assert [r.message.n for r in released] == [2]
    assert [(h.first, h.last) for h in holes] == [(1, 1)]
    assert push_all(order, [1]) == []
    assert order.late == 1


def test_a_publisher_that_counts_again_is_followed_and_what_it_repeats_of_old_is_late():
    order = StreamOrder(reorder_s=2.0)
    assert len(order.push(at(500, 10.0), 0.0, 0)) == 1
    assert [r.message.n for r in order.push(at(0, 11.0), 0.0, 1)] == [0]
    assert [r.message.n for r in order.push(at(1, 12.0), 0.0, 2)] == [1]
    assert order.push(at(0, 11.0), 0.0, 3) == []
    assert (order.renumbered, order.late) == (1, 1)


def test_a_stray_number_far_ahead_does_not_silence_a_stream():
    order = StreamOrder(reorder_s=2.0, next_n=7)
    assert order.push(at(9_000_000_000, 10.0), 0.0, 0) == []
    released, holes = order.expire(12.0, 0.0)
    assert [r.message.n for r in released] == [9_000_000_000]
    assert holes == []
    assert order.renumbered == 1
    assert [r.message.n for r in order.push(at(7, 12.5), 0.0, 1)] == [7]
    assert [r.message.n for r in order.push(at(8, 13.0), 0.0, 2)] == [8]


def test_a_hole_among_numbers_of_a_clock_is_a_hole_and_the_largest_is_one_million():
    for first, is_hole in ((1_764_000_000_002, True), (1_764_001_000_000, True), (1_764_001_000_001, False)):
        order = StreamOrder(reorder_s=2.0, next_n=1_764_000_000_000)
        order.push(at(first, 10.0), 0.0, 0)
        _, holes = order.expire(12.0, 0.0)
        assert [(h.first, h.last) for h in holes] == ([(1_764_000_000_000, first - 1)] if is_hole else [])
        assert order.renumbered == (not is_hole)


def test_a_hole_names_its_numbering():
    order = StreamOrder(reorder_s=2.0)
    for t_s, (start, n) in enumerate([(5, 0), (5, 2), (7, 0), (7, 2)]):
        order.push(at(n, 10.0 * t_s, start), 0.0, t_s)
        holes = order.expire(10.0 * t_s + 2.0, 0.0)[1]
        assert [(h.start, h.first, h.last) for h in holes] == ([(start, 1, 1)] if n == 2 else [])


def test_the_first_message_may_have_any_number():
    assert push_all(StreamOrder(reorder_s=2.0), [17, 18]) == [17, 18]


def test_a_named_numbering_begins_at_0_so_what_comes_before_its_first_message_waits_for_it():
    order = StreamOrder(reorder_s=2.0)
    assert order.push(at(1, 11.0, 500), 0.0, 0) == []
    assert [r.message.n for r in order.push(at(0, 10.0, 500), 0.0, 1)] == [0, 1]
    other = StreamOrder(reorder_s=2.0)
    assert other.push(at(7, 10.0, 500), 0.0, 0) == []
    released, holes = other.expire(12.0, 0.0)
    assert [r.message.n for r in released] == [7]
    assert [(h.first, h.last) for h in holes] == [(0, 6)]


def test_a_greater_start_is_followed_at_once_even_if_the_clock_went_back_and_the_old_numbering_is_late():
    order = StreamOrder(reorder_s=2.0)
    assert [r.message.n for r in order.push(at(41, 50.0, 0), 0.0, 0)] == [41]
    assert [r.message.n for r in order.push(at(0, 40.0, 900), 0.0, 1)] == [0]
    assert order.push(at(42, 45.0, 0), 0.0, 2) == []
    assert [r.message.n for r in order.push(at(1, 46.0, 900), 0.0, 3)] == [1]
    assert (order.renumbered, order.late) == (1, 1)


def test_a_message_that_waits_already_is_counted_as_repeated_and_waits_once():
    order = StreamOrder(reorder_s=2.0, next_n=0)
    assert push_all(order, [2, 2, 2, 1, 0]) == [0, 1, 2]
    assert (order.duplicates, order.late, order.renumbered) == (2, 0, 0)


def test_a_message_can_change_nothing_that_was_judged_before_it_was_known():
    """The next moment after the one up to which the record was known; before any record every moment is after."""
    (known,) = StreamOrder(reorder_s=2.0).push(at(0, 10.0), 5.0, 0)
    assert known.after_s == math.nextafter(5.0, math.inf)
    (first,) = StreamOrder(reorder_s=2.0).push(at(0, 10.0), -math.inf, 0)
    assert first.after_s == -math.inf


def test_script_helper_makes_sound_messages():
    assert decoded([]) == []
