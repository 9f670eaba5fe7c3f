"""A march of elements: stopped anywhere it comes to the same bits; what is silent leaves them unverified."""

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.physics.cure import new_elements
from monitor.physics.heat_march import Elements, Media, Route, march
from tests.physics import reference as ref

NOMINAL = ref.CASES["steady_2.5_230"]
CABLE, WAY, RATES = ref.cable(NOMINAL), ref.way(NOMINAL), ref.rates(NOMINAL)


def started() -> tuple[Elements, np.ndarray, Route, Media]:
    case = ref.CASES["oven_b_profile_240"]
    wall = ref.cable(case).wall()
    route = ref.way(case).route(wall)
    entries = np.array([0.0, 0.3, 7.7])
    cross = np.stack([ref.speed(case).when(e, route.edges_m) for e in entries])
    return new_elements(ref.cable(case), wall, route, entries), cross, route, ref.way(case).media()


def same(one: Elements, other: Elements) -> bool:
    return all(
        np.array_equal(getattr(one, n), getattr(other, n), equal_nan=True) for n in Elements.__dataclass_fields__
    )


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(0.0, 45.0), max_size=8))
def test_a_march_may_stop_anywhere_and_go_on_to_the_same_bits(stops):
    """The block law of the curing stage rests on this."""
    rates = ref.rates(ref.CASES["oven_b_profile_240"])
    whole, cross, route, media = started()
    march(whole, cross, route, media, *rates)
    parts, *_ = started()
    for upto_s in [*sorted(stops), np.inf]:
        known = np.where(cross <= upto_s, cross, np.inf)
        until = replace(media, reach_s=np.full(len(media.held_s), upto_s))
        march(parts, known, route, until, *rates)
    assert same(parts, whole)


def test_a_medium_that_is_silent_for_too_long_leaves_the_element_unverified():
    element, cross, route, media = started()
    knots = Media.of([(np.array([0.0, 40.0]), np.array([300.0, 300.0]))] * len(media.held_s))
    held = replace(knots, held_s=np.full(len(media.held_s), 5.0))
    march(element, cross, route, held, *RATES)
    assert not element.seen.any()
    fresh, *_ = started()
    march(fresh, cross, route, knots, *RATES)
    assert fresh.seen.all()
