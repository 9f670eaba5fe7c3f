"""Lines that take the drums of others: what is put on is there by then, no metre is made twice, reels hold no fault."""

from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from simulator.campaign import Wound, _Planner, _Way, taken
from simulator.line import LineRun, simulate_all
from simulator.scenario import Campaign, load_scenario, parse_scenario
from tests.simulator.made import CONFIGS, HEAD, START_S, configuration
from tests.simulator.test_scenario import problems_of


@cache
def runs() -> dict[str, LineRun]:
    scenario = load_scenario(CONFIGS, "demo", configuration())
    return simulate_all(scenario, configuration(), list(scenario.scripts), START_S)


LATER = ("lay-1", "sheath-1", "rewind-1", "fire-1")


@pytest.mark.parametrize("line", LATER)
def test_nothing_is_put_on_before_it_was_taken_off(line):
    schedule = runs()[line].schedule
    assert schedule is not None
    assert len(schedule.put_on) > 5
    assert all(one.t_s > one.drum.ready_s for one in schedule.put_on)
    by_station = {one.station for one in schedule.put_on}
    assert by_station == {one.station for one in runs()[line].script.pay_off}


@pytest.mark.parametrize("line", LATER)
def test_the_counter_is_where_the_schedule_says(line):
    run = runs()[line]
    assert run.schedule is not None
    for change in run.schedule.drum_changes[:40]:
        assert float(run.travel.metres(np.array(change.t_s))) == pytest.approx(change.L_m, abs=1e-5)
    for one in run.schedule.put_on[:40]:
        assert float(run.travel.metres(np.array(one.t_s))) == pytest.approx(one.L_m, abs=1e-5)
        assert float(run.travel.speed(np.array(one.t_s))) == 0.0
    assert (np.diff(run.travel.t_s) > 0).all()


def test_a_laid_up_drum_is_shorter_than_its_core_by_the_lay_factor():
    """D 3.58 mm between two cores, lay 80 mm: 1.009833 m of core in a metre (identity of the helix)."""
    assert taken(runs()["lay-1"].recipe) == pytest.approx(np.sqrt(1 + (np.pi * 3.58 / 80) ** 2), abs=1e-12)
    first = next(runs()["lay-1"].wound())
    assert first.length_m * taken(runs()["lay-1"].recipe) == pytest.approx(300.0, abs=1e-9)


def test_a_core_that_is_left_over_goes_on():
    schedule = runs()["lay-1"].schedule
    assert schedule is not None
    b = [one for one in schedule.put_on if one.station == "pay-off-b"]
    used = taken(runs()["lay-1"].recipe) * (b[1].L_m - b[0].L_m)
    assert used == pytest.approx(420.0, abs=1e-3)


def test_the_same_faults_go_from_core_to_reel():
    """Two reversals and the lay factor: each fault of the core drum is in the sheathed drum, and in scrap only."""
    core = next(d for d in runs()["core-1"].wound() if d.name == "C1-0002")
    sheathed = next(runs()["sheath-1"].wound())
    share = taken(runs()["lay-1"].recipe)
    mine = sorted(f.metre for f in sheathed.flaws if "C1-0002" in f.cause)
    assert mine == pytest.approx(sorted(f.metre / share for f in core.flaws), abs=1e-6)
    for reel, _ in zip(runs()["rewind-1"].wound(), range(40), strict=False):
        assert bool(reel.flaws) <= reel.scrap, reel


@settings(max_examples=60)
@given(st.lists(st.floats(0, 700), max_size=12), st.floats(20, 200), st.floats(0, 10))
@example(at=[0.0, 1.0], reel_m=20.0, guard_m=1e-6)
@example(at=[0.0, 350.0, 700.0], reel_m=200.0, guard_m=3e-7)
def test_pieces_cover_the_drum_once_and_reels_keep_their_guard(at, reel_m, guard_m):
    run = runs()["rewind-1"]
    campaign = Campaign(reel_m=reel_m, short_m=10.0, guard_m=guard_m)
    flaws = tuple(type("F", (), {"metre": 700 - x, "cause": "x"})() for x in at)
    planner = _Planner(line=run.line, recipe=run.recipe, campaign=campaign, on=[], names=iter(()), way=_Way(0.0))
    pieces = planner._pieces(Wound(name="S", length_m=700.0, ready_s=0.0, flaws=flaws), 700.0)
    assert sum(length for length, _ in pieces) == pytest.approx(700.0)
    edges = np.cumsum([0.0, *(length for length, _ in pieces)])
    for (a, b), (_, scrap) in zip(pairwise(edges), pieces, strict=True):
        if not scrap:
            assert b - a >= 10.0 - 1e-9
            assert all(not a - guard_m + 1e-6 < x < b + guard_m - 1e-6 for x in at)


@pytest.mark.parametrize(
    ("script", "problem"),
    [
        ("[line.campaign]\n", "a campaign follows its pay_off"),
        ('[[line.pay_off]]\nstation = "pay-off"\nof = "core-2"\n', "only a line with a [line.campaign]"),
    ],
)
def test_a_script_says_how_its_line_moves_in_one_way(script, problem):
    assert problem in problems_of(script)


def test_what_is_put_on_comes_from_a_line_told_of_before():
    text = (
        HEAD.format(seed=1, start=240.0, top="")
        + """
[[line]]
line = "sheath-1"
recipe = "cable-2x2g5"
drum_prefix = "S1"
[line.campaign]
[[line.pay_off]]
station = "clamp"
of = "lay-1"
"""
    )
    with pytest.raises(Exception, match="no pay-off 'clamp'") as caught:
        parse_scenario("made.toml", text, configuration())
    assert "no line 'lay-1' before this one" in str(caught.value)


def test_pages_do_not_show_in_the_messages():
    scenario = load_scenario(CONFIGS, "demo", configuration())
    whole, parts = (simulate_all(scenario, configuration(), ["lay-1"], START_S)["lay-1"] for _ in range(2))
    assert list(whole.messages(60.0, 900.0)) == list(parts.messages(7.0, 900.0))
