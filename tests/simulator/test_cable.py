"""The cable's truth: where lumps and faults are, at which rate, and that asking in pieces finds the same."""

from itertools import islice, pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.statistics.counts import poisson_interval
from simulator.cable import Book, Flaw, Flaws, Lumps, places
from simulator.scenario import Lump
from tests.simulator.made import made, run_of

CUTS = st.lists(st.floats(0, 1000), max_size=8)


def rng(seed: int = 0) -> np.random.Generator:
    return np.random.default_rng(seed)


def test_places_that_are_given_come_back_every_so_many_metres():
    where = Lump(height_mm=0.1, at_m=(3.0, 1.0), every_m=10.0)
    assert list(islice(places(where, 100.0, rng()), 5)) == [101.0, 103.0, 111.0, 113.0, 121.0]
    assert list(places(Lump(height_mm=0.1, at_m=(3.0, 1.0)), 100.0, rng())) == [101.0, 103.0]


def test_random_places_come_at_their_rate_within_their_metres():
    at = list(places(Lump(height_mm=0.1, per_km=20.0, from_m=100.0, to_m=50_100.0), 0.0, rng()))
    assert at == sorted(at)
    assert min(at) >= 100.0
    assert max(at) < 50_100.0
    interval = poisson_interval(len(at), 0.999)
    assert interval.low <= 1000 <= interval.high


@given(cuts=CUTS)
def test_a_lump_is_a_raised_cosine_wherever_the_cable_is_cut(cuts):
    lump = Lump(height_mm=0.3, at_m=(250.0, 700.0), length_m=20.0)
    M = np.arange(0.0, 1000.0, 0.5)
    whole, pieces = np.zeros_like(M), np.zeros_like(M)
    Lumps(lump, places(lump, 0.0, rng())).add_to(whole, M)
    again = Lumps(lump, places(lump, 0.0, rng()))
    edges = [0, *sorted(int(np.searchsorted(M, c)) for c in cuts), len(M)]
    for i, j in pairwise(edges):
        if j > i:
            again.add_to(pieces[i:j], M[i:j])
    assert np.array_equal(whole, pieces)
    assert whole.max() == pytest.approx(0.3)
    assert whole.sum() * 0.5 == pytest.approx(2 * 0.3 * 20.0 / 2)  # a raised cosine fills half of its rectangle
    assert set(np.flatnonzero(whole > 1e-12)) <= set(np.flatnonzero((abs(M - 250) < 10) | (abs(M - 700) < 10)))


@given(cuts=CUTS, seed=st.integers(0, 20))
def test_flaws_of_several_sources_come_in_order_each_once(cuts, seed):
    metres = [sorted(rng(seed + k).uniform(0, 1000, 12).tolist()) for k in range(3)]
    flaws = Flaws([iter([Flaw(m, f"source {k}") for m in at]) for k, at in enumerate(metres)])
    found = [flaw for upto in [*sorted(cuts), 1001.0] for flaw in flaws.before(upto)]
    assert [f.metre for f in found] == sorted(m for at in metres for m in at)


def test_a_stretch_may_be_asked_for_again():
    book = Book(Flaws([iter([Flaw(float(m), "random") for m in range(10)])]))
    assert [f.metre for f in book.between(2.0, 5.0)] == [2.0, 3.0, 4.0]
    assert [f.metre for f in book.between(0.0, 3.0)] == [0.0, 1.0, 2.0]
    assert [f.metre for f in book.between(4.0, 99.0)] == [4.0, 5.0, 6.0, 7.0, 8.0, 9.0]


def test_the_screw_lags_behind_the_speed():
    """When the line slows down, the screw still brings compound for the faster line: the wall becomes thicker."""
    script = "[line.screw]\npulsation_mm = 0.0\nwander_mm = 0.0\nlag_s = 1.0\n"
    script += "[[line.speed]]\nat_s = 60.0\nto_m_per_min = 120.0\nover_s = 10.0\n"
    run, _ = run_of(made(script), 1.0)
    wall = run.cable.wall
    steady, slowing = wall.at_head_mm(np.array([50.0, 65.0]))
    assert steady == pytest.approx(run.recipe.geometry.outer_diameter_mm)
    v, a = float(run.travel.speed(np.array([65.0]))[0]), float(run.travel.acceleration(np.array([65.0]))[0])
    inside = run.recipe.geometry.inside_mm
    assert (slowing**2 - inside**2) / (steady**2 - inside**2) == pytest.approx(1 - a / v)
