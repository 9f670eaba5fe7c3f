"""Ancestry: which metres of earlier drums are in a metre, by laws that every family keeps."""

from collections.abc import Mapping

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.analysis.ancestry import Family, Made, PutOn, Span, inherited, orphaned, spans_of
from monitor.contract.record import FillingKey


def test_spans_take_of_each_pay_off_what_its_layer_takes():
    """C18. Of two drums of one length, that of the outer layer is used up first."""
    put = [on("in", "core-in", 0.0, 1000.0), on("out", "core-out", 0.0, 1000.0)]
    inner, outer = spans_of(put, [wound("cable", 0.0, 1000.0, {"in": 1.02, "out": 1.08})])
    assert (inner.child_end_m, outer.child_end_m) == pytest.approx((1000.0 / 1.02, 1000.0 / 1.08))


LAY = 1.0122618


def on(position: str, drum: str, line_metre: float, left_m: float | None = None) -> PutOn:
    return PutOn(position, key(drum), line_metre, left_m)


def key(drum: str) -> FillingKey:
    return FillingKey("any", 1, drum)


def span(parent: str, a: float, b: float, child: str, c: float, d: float) -> Span:
    return Span(parent=key(parent), parent_start_m=a, parent_end_m=b, child=key(child), child_start_m=c, child_end_m=d)


def wound(drum: str, start_m: float, end_m: float, taken: Mapping[str, float] | None = None) -> Made:
    return Made(key(drum), start_m, end_m, taken or {})


@st.composite
def families(draw: st.DrawFn) -> tuple[Family, float, list[float]]:
    """Two cores laid up into cable drums, those sheathed and cut: (family, drums by generation)."""
    lengths = draw(st.lists(st.floats(200, 2000), min_size=2, max_size=4))
    spans: list[Span] = []
    cut = 0.0
    total = min(sum(lengths), sum(lengths[::-1])) / LAY
    for position, order in (("a", lengths), ("b", lengths[::-1])):
        at, splices = 0.0, []
        for i, length in enumerate(order):
            splices.append(on(position, f"core-{position}{i}", at, length))
            at += length / LAY
        cut = draw(st.floats(0.2, 0.8)) * total if position == "a" else cut
        made = [wound("cable-1", 0.0, cut, {position: LAY}), wound("cable-2", cut, total, {position: LAY})]
        spans += spans_of(splices, made)
    run = [on("x", "cable-1", 0.0, cut), on("x", "cable-2", cut, total - cut)]
    sheathed = [wound("sheathed", 0.0, total)]
    spans += spans_of(run, sheathed)
    reels = [wound(f"reel-{i}", i * total / 5, (i + 1) * total / 5) for i in range(5)]
    spans += spans_of([on("x", "sheathed", 0.0, total)], reels)
    return Family(spans), total, lengths


@settings(max_examples=40)
@given(families(), st.floats(0, 1), st.floats(0.001, 0.2))
def test_there_and_back_is_the_same_metre(made, share, width):
    family, _, lengths = made
    start = share * lengths[0] * (1 - width)
    end = start + width * lengths[0]
    for piece in family.forward(key("core-a0"), start, end):
        home = [p for p in family.back(piece.drum, piece.start_m, piece.end_m) if p.drum == key("core-a0")]
        assert min(p.start_m for p in home) == pytest.approx(max(start, min(p.start_m for p in home)), abs=1e-6)
        assert all(start - 1e-6 <= p.start_m and p.end_m <= end + 1e-6 for p in home)


@settings(max_examples=40)
@given(families())
def test_no_metre_is_lost_or_doubled(made):
    family, total, _ = made
    for position in "ab":
        found = [p for p in family.back(key("sheathed"), 0.0, total) if p.drum.drum.startswith(f"core-{position}")]
        assert sum(p.end_m - p.start_m for p in found) == pytest.approx(total * LAY, rel=1e-9)
    reels = [p for p in family.forward(key("sheathed"), 0.0, total) if p.drum.drum.startswith("reel")]
    assert sum(p.end_m - p.start_m for p in reels) == pytest.approx(total)


def test_metres_turn_round_at_every_process():
    """A core drum of 1000 m: its last metre goes in first; two processes on, it lies as it did."""
    family = Family(
        [span("core", 0, 1000, "cable", 0, 1000 / LAY), span("cable", 0, 1000 / LAY, "sheathed", 0, 1000 / LAY)]
    )
    (cable, sheathed) = family.forward(key("core"), 990, 1000)
    assert (cable.start_m, cable.reversed_) == (0.0, True)
    assert sheathed.end_m == pytest.approx(1000 / LAY)
    assert not sheathed.reversed_


def test_a_fault_of_a_core_shows_in_the_reel_that_holds_it():
    family = Family([span("core", 0, 1000, "cable", 0, 1000), span("cable", 0, 500, "reel-2", 0, 500),
                     span("cable", 500, 1000, "reel-1", 0, 500)])  # fmt: skip
    assert inherited(family, key("cable"), [(key("core"), 100, 101)]) == [(899, 900, key("core"))]
    assert inherited(family, key("reel-1"), [(key("core"), 100, 101)]) == [(100, 101, key("core"))]
    assert inherited(family, key("reel-2"), [(key("core"), 100, 101)]) == []


def test_contradictions_are_refused():
    with pytest.raises(ValueError, match="has a length"):
        span("a", 1, 1, "b", 0, 1)
    loop = Family([span("a", 0, 10, "b", 0, 10), span("b", 0, 10, "a", 0, 10)])
    with pytest.raises(ValueError, match="its own ancestor"):
        loop.back(key("a"), 0, 10)


def test_a_drum_that_ran_out_leaves_cable_without_a_parent():
    spans = spans_of([on("a", "core", 0.0, 100.0)], [wound("cable", 0.0, 150.0)])
    assert [(s.child_start_m, s.child_end_m) for s in spans] == [(0.0, 100.0)]
    assert orphaned(spans, ["a", "b"], 150.0) == [(0.0, 150.0, "b"), (100.0, 150.0, "a")]


def test_a_drum_of_unknown_length_is_no_parent():
    assert spans_of([on("a", "bought in", 0.0)], [wound("cable", 0.0, 150.0)]) == []


def test_what_is_left_on_a_pay_off_goes_on():
    """Laid up at two lays, some of it on no drum; the leftover is put on elsewhere later, from its own inner end."""
    made = [wound("one", 0.0, 100.0, {"a": 1.02}), wound("two", 110.0, 200.0, {"a": 1.01})]
    one, two = spans_of([on("a", "core", 0.0, 300.0)], made)
    assert (one.parent_end_m, one.parent_start_m) == pytest.approx((300.0, 198.0))
    assert (two.parent_end_m, two.parent_start_m) == pytest.approx((198.0 - 10 * 1.01, 198.0 - 100 * 1.01))
    (rest,) = spans_of([on("a", "core", 500.0, two.parent_start_m)], [wound("three", 500.0, 560.0)])
    assert rest.parent_end_m == two.parent_start_m
