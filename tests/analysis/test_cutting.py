"""Cutting: laws of every plan."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.analysis.cutting import Good, ReelLength, good_pieces, in_order, plan
from monitor.contract.record import FillingKey


def key(drum: str) -> FillingKey:
    return FillingKey("any", 1, drum)


STOCK = [ReelLength(50, 45), ReelLength(100, 100), ReelLength(250, 260), ReelLength(500, 540)]


def test_bad_metres_and_their_guards_are_cut_out():
    pieces = good_pieces(key("D1"), 1000, [(300, 301), (305, 306), (999, 1000)], 2.0, least_m=3.0)
    assert [(p.start_m, p.end_m) for p in pieces] == [(0, 298), (308, 997)]
    assert good_pieces(key("D1"), 10, [(5, 6)], 10) == []


def test_a_piece_of_just_the_least_length_is_left_out_and_one_of_no_length_always():
    bad = [(10, 11), (22, 23)]
    assert [(p.start_m, p.end_m) for p in good_pieces(key("D1"), 40, bad, 1.0, least_m=9.0)] == [(24, 40)]
    assert [p.start_m for p in good_pieces(key("D1"), 40, bad, 1.0, least_m=8.9)] == [0, 12, 24]
    assert good_pieces(key("D1"), 12, [(1, 12)], 1.0) == []
    assert [p.length_m for p in good_pieces(key("D1"), 12.5, [(1.5, 2)], 1.0)] == [0.5, 9.5]


def test_a_length_that_is_hardly_longer_than_its_piece_is_cut_and_a_longer_one_is_not():
    """Lengths are sums of metres: they miss each other by the arithmetic's own error."""
    ten = [Good(key("D"), 0, 10.0)]
    for cut in (plan, in_order):
        assert len(cut(ten, [ReelLength(10.0 + 5e-10, 1)]).cuts) == 1
        assert cut(ten, [ReelLength(10.0 + 2e-9, 1)]).cuts == ()
        assert cut(ten, [ReelLength(10.5, 1)]).cuts == ()


def test_thinking_ahead_beats_cutting_in_order():
    pieces = [Good(key("D1"), 0, 520), Good(key("D1"), 530, 790)]
    lengths = [ReelLength(500, 500, 1, "A"), ReelLength(260, 270, 3, "B")]
    greedy, best = in_order(pieces, lengths), plan(pieces, lengths)
    assert best.worth == 810
    assert greedy.worth == 770
    assert best.gap == pytest.approx(0, abs=1e-6)
    assert [(c.start_m, c.end_m, c.order) for c in best.cuts] == [(0, 260, "B"), (260, 520, "B"), (530, 790, "B")]


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.floats(20, 700), min_size=1, max_size=4),
    st.lists(st.tuples(st.integers(10, 300), st.integers(1, 300), st.integers(0, 5)), min_size=1, max_size=4),
    st.floats(0, 0.5),
)
def test_a_plan_fits_its_pieces_keeps_its_orders_and_is_never_worse(pieces, wanted, kerf):
    at, good = 0.0, []
    for length in pieces:
        good.append(Good(key("D"), at, at + length))
        at += length + 5
    lengths = [ReelLength(m, w, n, f"o{i}") for i, (m, w, n) in enumerate(wanted)]
    best, greedy = plan(good, lengths, kerf), in_order(good, lengths, kerf)
    assert best.worth >= greedy.worth - 1e-6
    for cut in best.cuts:
        assert any(p.start_m - 1e-6 <= cut.start_m and cut.end_m <= p.end_m + 1e-6 for p in good)
    for plan_of in (best, greedy):
        for a, b in pairwise(plan_of.cuts):
            assert b.start_m >= a.end_m + kerf - 1e-6
    for i, (_, _, n) in enumerate(wanted):
        assert sum(c.order == f"o{i}" for c in best.cuts) <= n


@pytest.mark.parametrize("cut", [plan, in_order])
def test_each_cut_takes_its_kerf(cut):
    """F9: 10 m of reels and three cuts of 0.1 m need 40.3 m of cable; no cut is needed after the last reel."""
    ten = [ReelLength(10, 1)]
    assert len(cut([Good(key("D"), 0, 40.2)], ten, 0.1).cuts) == 3
    found = cut([Good(key("D"), 5, 45.3)], ten, 0.1)
    assert [(c.start_m, c.end_m) for c in found.cuts] == [
        (pytest.approx(5 + 10.1 * i), pytest.approx(15 + 10.1 * i)) for i in range(4)
    ]
    assert (found.left, found.cut_m, found.worth) == ((), pytest.approx(40), 4)


def test_what_is_left_begins_behind_the_kerf_of_the_last_cut():
    found = plan([Good(key("D"), 0, 25.0), Good(key("E"), 0, 9.0)], [ReelLength(10, 1)], 0.5)
    assert found.left == (Good(key("D"), 21.0, 25.0), Good(key("E"), 0, 9.0))


def test_lengths_together_are_no_longer_than_their_piece():
    ten, less = ReelLength(10.0, 1), ReelLength(9.8, 1)
    for cut in (plan, in_order):
        assert len(cut([Good(key("D"), 0, 19.5)], [ten, less]).cuts) == 1
        assert len(cut([Good(key("D"), 0, 19.8)], [ten, less]).cuts) == 2


def test_a_length_that_is_wanted_twice_is_cut_twice_over_all_pieces():
    pieces = [Good(key("D"), 0, 30), Good(key("E"), 0, 30)]
    for cut in (plan, in_order):
        found = cut(pieces, [ReelLength(10, 5, 2, "A"), ReelLength(9, 1, 1, "B")])
        assert sorted(c.order for c in found.cuts) == ["A", "A", "B"]
        assert found.worth == 11


def test_a_wider_guard_is_never_worth_more():
    bad = [(120, 121), (333, 334), (700, 702)]
    worths = [plan(good_pieces(key("D"), 1500, bad, guard), STOCK).worth for guard in (0.5, 1, 2, 5, 20)]
    assert worths == sorted(worths, reverse=True)


def test_what_is_no_length_is_refused_and_nothing_fits_nothing():
    with pytest.raises(ValueError, match="greater than 0"):
        plan([Good(key("D"), 0, 10)], [ReelLength(0, 1)])
    nothing = plan([Good(key("D"), 0, 10)], [ReelLength(50, 1)])
    assert (nothing.cuts, nothing.left, nothing.worth, nothing.gap) == ((), (Good(key("D"), 0, 10),), 0.0, 0.0)
