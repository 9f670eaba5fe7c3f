"""Winding, resistance, ancestry, cutting and shift: identities, published tables, optima and worked examples."""

import math
from collections.abc import Mapping
from typing import get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.analysis.ancestry import Family, Made, PutOn, Span, inherited, orphaned, spans_of
from monitor.analysis.cutting import Good, Length, fewest, good_pieces, in_order, plan
from monitor.analysis.lineage import taken
from monitor.analysis.shift import in_state_s, indicators, producing_s, stops, with_silence
from monitor.contract.config.recipe import CORES_BY_LAYER, LayingUp, Recipe
from monitor.contract.record import FillingKey
from monitor.physics.resistance import annex_B_factor, most_ohm_per_km, to_20_C
from monitor.physics.winding import (
    LAYERS,
    Drum,
    laid_up_diameter_ratio,
    lay_factor,
    lay_mm,
    pitch_diameter_ratios,
    place_on,
    tape_length_per_m,
    tape_overlap,
    tape_pitch_mm,
)
from tests.core.story import configuration

# ---- geometry ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("d", "lay", "factor"), [(5, 100, 1.0122618), (4.2, 80, 1.0135103), (10, 150, 1.0216971)])
def test_lay_factor_is_a_helix_unrolled(d, lay, factor):
    assert lay_factor(d, lay) == pytest.approx(factor, abs=5e-8)


def layers(wires: tuple[int, ...], ratios: tuple[float, ...]) -> tuple[float, float]:
    """Mass and resistance of stranded wire over one wire's: layers of 6, 12, 18 around one, lay by outer diameter."""
    mass = conductance = 1.0
    for i, (n, ratio) in enumerate(zip(wires, ratios, strict=True), 1):
        factor = lay_factor(2 * i, ratio * (2 * i + 1))
        mass += n * factor
        conductance += n / factor
    return mass, 1 / conductance


@pytest.mark.parametrize(
    ("wires", "ratios", "mass", "resistance"),
    [((6,), (12,), 7.091, 0.1447), ((6, 12), (13, 12), 19.34, 0.05357), ((6, 12, 18), (14, 13, 12), 37.74, 0.02757)],
)
def test_stranding_constants_bs_215_iec_61089(wires, ratios, mass, resistance):
    """Mass and resistance constants of 7, 19 and 37 wires (recalled; recomputed with usual lay ratios)."""
    found = layers(wires, ratios)
    assert found[0] == pytest.approx(mass, rel=2e-4)
    assert found[1] == pytest.approx(resistance, rel=4e-4)


@pytest.mark.parametrize(
    ("cores", "ratio"),
    [
        *[(3, 2.155), (6, 3.0), (7, 3.0), (12, 4.155), (19, 5.0)],  # in a printed table, seen
        *[(1, 1.0), (2, 2.0), (4, 2.414), (5, 2.701)],  # by geometry
    ],
)
def test_diameter_over_laid_up_cores(cores, ratio):
    """C18. 12 cores lie 3 + 9, 19 lie 1 + 6 + 12."""
    assert laid_up_diameter_ratio(cores) == pytest.approx(ratio, abs=5e-4)


@given(st.integers(-2, 60).filter(lambda n: n not in LAYERS))
def test_cores_whose_layers_are_not_known_are_refused(cores):
    """C18."""
    with pytest.raises(ValueError, match="whose layers are known"):
        laid_up_diameter_ratio(cores)


@pytest.mark.parametrize("cores", LAYERS)
def test_equal_cores_have_room_in_every_layer(cores):
    """Neighbours on one pitch circle are at least a core's diameter apart, and layers two radii."""
    ratios = pitch_diameter_ratios(cores)
    for count, ratio in zip(LAYERS[cores], ratios, strict=True):
        assert count == 1 or ratio * math.sin(math.pi / count) >= 1 - 1e-12
    assert np.diff(ratios) == pytest.approx(2.0)


def of_cores(cores: int, layers: list[list[str]] | None = None) -> Recipe:
    recipe = configuration().recipes["laid-2x2g5"]
    up = LayingUp(cores=cores, core_diameter_mm=3.58, lay_mm=80.0, layers=layers or [])
    return recipe.model_copy(update={"laying_up": up})


def test_a_core_s_length_follows_from_its_own_layer():
    """C18. 19 cores: the centre runs straight, pitch circles of 2 and 4 diameters lie around it."""
    layers = [["centre"], [f"in-{i}" for i in range(6)], [f"out-{i}" for i in range(12)]]
    recipe = of_cores(19, layers)
    assert taken(recipe, "centre") == 1.0
    assert taken(recipe, "in-3") == pytest.approx(math.hypot(1, math.pi * 2 * 3.58 / 80.0), abs=1e-12)
    assert taken(recipe, "out-3") == pytest.approx(math.hypot(1, math.pi * 4 * 3.58 / 80.0), abs=1e-12)
    assert taken(recipe, "drain") == taken(recipe, "out-3")
    assert taken(of_cores(2), "any") == pytest.approx(math.hypot(1, math.pi * 3.58 / 80.0), abs=1e-12)
    assert taken(None, "any") == 1.0


def test_spans_take_of_each_pay_off_what_its_layer_takes():
    """C18. Of two drums of one length, that of the outer layer is used up first."""
    put = [on("in", "core-in", 0.0, 1000.0), on("out", "core-out", 0.0, 1000.0)]
    inner, outer = spans_of(put, [wound("cable", 0.0, 1000.0, {"in": 1.02, "out": 1.08})])
    assert (inner.child_end_m, outer.child_end_m) == pytest.approx((1000.0 / 1.02, 1000.0 / 1.08))


@pytest.mark.parametrize(
    ("cores", "layers", "why"),
    [
        (8, None, "Input should be 2, 3, 4, 5, 6, 7, 12 or 19"),
        (7, None, "7 cores: `layers` must list 1, 6 pay-offs"),
        (7, [["a", "b"], ["c", "d", "e", "f", "g"]], "7 cores: `layers` must list 1, 6 pay-offs"),
        (7, [["a"], ["a", "c", "d", "e", "f", "g"]], "layers 'a' stands more than once"),
        (3, [["a", "b", "c"]], "3 cores lie in one layer"),
    ],
)
def test_a_recipe_says_how_its_cores_lie(cores, layers, why):
    """C18."""
    with pytest.raises(ValueError, match=why):
        of_cores(cores, layers)


def test_the_recipe_s_layers_are_those_of_the_geometry():
    assert {n: layers for n, layers in LAYERS.items() if len(layers) > 1} == CORES_BY_LAYER
    assert set(get_args(LayingUp.model_fields["cores"].annotation)) == set(LAYERS) - {1}


def test_lay_of_a_single_and_a_double_twist():
    """30 m/min at 500 rpm: 60 mm single, 30 mm double (common practice, no source)."""
    assert lay_mm(30, 500) == 60
    assert lay_mm(30, 500, 2) == 30
    with pytest.raises(ValueError, match="one or two twists"):
        lay_mm(30, 500, 3)


@pytest.mark.parametrize(
    ("d", "w", "q", "pitch", "per_m"),
    [(10, 25, 0.25, 23.36836, 1.675516), (6, 20, 0.5, 11.79698, 1.884956), (8, 15, 0.25, 12.58077, 2.234021)],
)
def test_tape_pitch_and_length(d, w, q, pitch, per_m):
    found = tape_pitch_mm(d, w, q)
    assert found == pytest.approx(pitch, abs=5e-6)
    assert tape_length_per_m(d, found) == pytest.approx(per_m, abs=5e-7)
    assert tape_overlap(d, w, found) == pytest.approx(q)
    assert tape_length_per_m(d, found) * w / (math.pi * d) == pytest.approx(1 / (1 - q))  # area over area


def test_a_tape_too_wide_for_its_core_is_refused():
    with pytest.raises(ValueError, match="cannot be wound"):
        tape_pitch_mm(5, 25, 0.1)


@given(st.floats(1, 8), st.floats(200, 500), st.floats(300, 700), st.floats(0, 1))
def test_a_place_on_a_drum_counts_its_metres(cable, barrel, width, share):
    drum = Drum(barrel, barrel + 20 * cable, width)
    length = drum.capacity_m(cable)
    assert length == pytest.approx(sum(drum.layer_m(i, cable) for i in range(10)))
    place = place_on(drum, cable, share * length, length)
    before = sum(drum.layer_m(i, cable) for i in range(place.layer - 1))
    each = drum.layer_m(place.layer - 1, cable) / drum.turns(cable)
    assert before + (place.turn - 1) * each <= share * length + 1e-6 <= before + place.turn * each + 2e-6
    assert place.layers_above == 10 - place.layer


def test_a_metre_that_is_not_on_it_is_refused():
    with pytest.raises(ValueError, match="not on a drum"):
        place_on(Drum(300, 600, 400), 4, 1001, 1000)


# ---- resistance ----------------------------------------------------------------------------------------------------


def test_iec_60228_largest_resistances():
    """IEC 60228, as printed in two suppliers' tables, seen."""
    assert [most_ohm_per_km(a, 2) for a in (1.5, 2.5, 4.0, 16.0)] == [12.1, 7.41, 4.61, 1.15]
    assert [most_ohm_per_km(a, 5) for a in (1.5, 2.5, 4.0, 16.0)] == [13.3, 7.98, 4.95, 1.21]
    with pytest.raises(ValueError, match="no figure"):
        most_ohm_per_km(3.0, 2)


@pytest.mark.parametrize(("t", "factor"), [(5, 1.063), (25, 0.981), (40, 0.927), (60, 0.864), (90, 0.784)])
def test_iec_60228_annex_b_is_the_exact_factor(t, factor):
    """C21. 254.5/(234.5 + t) of IEC 60228:2004, seen in a national adoption; also 1/(1 + 0.00393 (t - 20))."""
    assert annex_B_factor(t) == pytest.approx(factor, abs=5e-4)
    assert annex_B_factor(t) == pytest.approx(1 / (1 + 0.00393 * (t - 20)), rel=5e-5)
    assert to_20_C(8.7205, 65) == pytest.approx(7.41, abs=5e-4)  # and back: 7.41 at 20 is 8.7205 at 65


@pytest.mark.parametrize(
    ("t", "factor"), [(5, 1.064), (10, 1.042), (40, 0.926), (65, 0.847), (80, 0.806), (100, 0.758)]
)
def test_the_rounded_temperature_table_is_not_annex_b(t, factor):
    """C21. As printed in a supplier's table, seen: every value is 250/(230 + t), up to 0.4 % from annex B."""
    assert 250 / (230 + t) == pytest.approx(factor, abs=5e-4)
    assert annex_B_factor(t) != pytest.approx(factor, abs=5e-4)
    assert annex_B_factor(t) == pytest.approx(factor, rel=5e-3)


# ---- ancestry ------------------------------------------------------------------------------------------------------

LAY = 1.0122618


def on(position: str, drum: str, line_metre: float, left_m: float | None = None) -> PutOn:
    return PutOn(position, key(drum), line_metre, left_m)


def key(drum: str) -> FillingKey:
    return FillingKey("any", 1, drum)


def span(parent: str, a: float, b: float, child: str, c: float, d: float) -> Span:
    return Span(key(parent), a, b, key(child), c, d)


def wound(drum: str, start_m: float, end_m: float, taken: Mapping[str, float] | None = None) -> Made:
    return Made(key(drum), start_m, end_m, taken or {})


@st.composite
def families(draw):
    """Two cores laid up into cable drums, those sheathed and cut: (family, drums by generation)."""
    lengths = draw(st.lists(st.floats(200, 2000), min_size=2, max_size=4))
    spans = []
    total = min(sum(lengths), sum(lengths[::-1])) / LAY
    for position, order in (("a", lengths), ("b", lengths[::-1])):
        at, splices = 0.0, []
        for i, length in enumerate(order):
            splices.append(on(position, f"core-{position}{i}", at, length))
            at += length / LAY
        cut = draw(st.floats(0.2, 0.8)) * total if position == "a" else cut  # noqa: F821
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


# ---- cutting -------------------------------------------------------------------------------------------------------


def test_chvatal_cutting_stock_optimum_453():
    """Chvatal (1983), as in the GAMS library's cutstock: raw 100, optimum 453."""
    assert fewest(100, [45, 36, 31, 14], [97, 610, 395, 211]) == 453


def test_paper_rolls_optimum_73():
    """The worked example of the encyclopaedia's article on cutting stock: master 5600, optimum 73."""
    widths = [1380, 1520, 1560, 1710, 1820, 1880, 1930, 2000, 2050, 2100, 2140, 2150, 2200]
    demand = [22, 25, 12, 14, 18, 18, 20, 10, 12, 14, 16, 18, 20]
    assert fewest(5600, widths, demand) == 73


STOCK = [Length(50, 45), Length(100, 100), Length(250, 260), Length(500, 540)]


def test_bad_metres_and_their_guards_are_cut_out():
    pieces = good_pieces(key("D1"), 1000, [(300, 301), (305, 306), (999, 1000)], 2.0, least_m=3.0)
    assert [(p.start_m, p.end_m) for p in pieces] == [(0, 298), (308, 997)]
    assert good_pieces(key("D1"), 10, [(5, 6)], 10) == []


def test_thinking_ahead_beats_cutting_in_order():
    pieces = [Good(key("D1"), 0, 520), Good(key("D1"), 530, 790)]
    lengths = [Length(500, 500, 1, "A"), Length(260, 270, 3, "B")]
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
    lengths = [Length(m, w, n, f"o{i}") for i, (m, w, n) in enumerate(wanted)]
    best, greedy = plan(good, lengths, kerf), in_order(good, lengths, kerf)
    assert best.worth >= greedy.worth - 1e-6
    for cut in best.cuts:
        assert any(p.start_m - 1e-6 <= cut.start_m and cut.end_m <= p.end_m + 1e-6 for p in good)
    for a, b in zip(best.cuts, best.cuts[1:], strict=False):
        assert b.start_m >= a.end_m - 1e-6
    for i, (_, _, n) in enumerate(wanted):
        assert sum(c.order == f"o{i}" for c in best.cuts) <= n


def test_a_wider_guard_is_never_worth_more():
    bad = [(120, 121), (333, 334), (700, 702)]
    worths = [plan(good_pieces(key("D"), 1500, bad, guard), STOCK).worth for guard in (0.5, 1, 2, 5, 20)]
    assert worths == sorted(worths, reverse=True)


def test_what_is_no_length_is_refused_and_nothing_fits_nothing():
    with pytest.raises(ValueError, match="greater than 0"):
        plan([Good(key("D"), 0, 10)], [Length(0, 1)])
    assert plan([Good(key("D"), 0, 10)], [Length(50, 1)]).left == (Good(key("D"), 0, 10),)


# ---- shift ---------------------------------------------------------------------------------------------------------


def test_nakajima_introduction_to_tpm():
    """Nakajima (1988; recalled): 460 min, 400 running, 400 items of 0.5 min, 2 % defects: 87, 50, 98 and 42.6 %."""
    found = indicators(460 * 60, 400 * 60, 400, 392, 1 / 30)
    assert found.availability == pytest.approx(0.8696, abs=5e-5)
    assert found.effectiveness == pytest.approx(0.5)
    assert found.quality == pytest.approx(0.98)
    assert found.oee == pytest.approx(0.4261, abs=5e-5)


@given(st.floats(100, 1e5), st.floats(0.1, 1), st.floats(1, 1e5), st.floats(0, 1), st.floats(0.1, 10))
def test_oee_is_good_times_planned_time_each_over_planned_busy_time(planned, share, produced, good, nominal):
    """ISO 22400-2: the product collapses to GQ x PRI / PBT."""
    found = indicators(planned, planned * share, produced, produced * good, nominal)
    assert found.oee == pytest.approx(produced * good / nominal / planned)


def test_a_wrong_nominal_speed_shows_and_contradictions_are_refused():
    assert indicators(100, 100, 500, 500, 4.0).effectiveness == 1.25
    assert indicators(0, 0, 0, 0, 1).oee == 0
    with pytest.raises(ValueError, match="good <= produced"):
        indicators(100, 100, 10, 11, 1)


def test_while_nothing_is_heard_a_line_does_not_produce():
    states = [(0, "running", ""), (50_000, "stopped", "joint"), (60_000, "running", "")]
    heard = with_silence(states, [(10_000, 30_000), (55_000, 70_000)])
    assert producing_s(heard, 0, 100_000) == pytest.approx(10 + 20 + 30)
    assert in_state_s(heard, 0, 100_000, ("unknown",)) == pytest.approx(20 + 15)
    assert [(s.start_ms, s.end_ms) for s in stops(heard, 0, 100_000)] == [(50_000, 55_000)]
    assert with_silence(states, []) == states


def test_stops_have_their_reasons_and_times():
    states = [(0, "running", ""), (1000, "ramping", "strip broke"), (2000, "stopped", ""), (9000, "ramping", ""),
              (10_000, "running", ""), (20_000, "stopped", "doff")]  # fmt: skip
    found = stops(states, 500, 30_000)
    assert [(s.start_ms, s.end_ms, s.reason) for s in found] == [(2000, 9000, "strip broke"), (20_000, 30_000, "doff")]
    assert producing_s(states, 500, 30_000) == pytest.approx(1.5 + 11)
    assert stops([], 0, 10) == []
    assert np.isclose(producing_s([(5000, "running", "")], 0, 10_000), 5.0)
