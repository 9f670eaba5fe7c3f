"""Dwell against its limits: constant speed gives length by speed, and no cut of time changes what is found."""

from collections.abc import Iterable

import numpy as np
import pytest

from monitor.contract.config.recipe import Recipe
from monitor.contract.record import Finding
from monitor.core import dwell
from monitor.core.alarms import AlarmEvent
from monitor.core.stream import Found
from monitor.core.track import Track
from tests.core.script import configuration

LINE = configuration().lines["core-1"]
RECIPE = configuration().recipes["core-2g5"]
ZONE = "shock-oven"


def track_at(*speeds_m_per_s: float) -> Track:
    """A minute at each speed, from line metre 1000 on."""
    v = np.repeat(speeds_m_per_s, 600)
    t_s = np.arange(len(v), dtype=np.float64) * 0.1
    track = Track(line="core-1", jump_m=1.0, slip_percent=3.0)
    track.add_counter(t_s, 1000.0 + np.concatenate(([0.0], np.cumsum(v[:-1] * 0.1))))
    track.add_speed(t_s, v)
    return track


def check_of(recipe: Recipe | None = RECIPE, before: Iterable[dwell.DwellCheck] = ()) -> dwell.DwellCheck:
    return next(c for c in dwell.checks(recipe, LINE, list(before)) if c.dwell.zone == ZONE)


def found_by(check: dwell.DwellCheck, track: Track, *until_s: float) -> list[Found]:
    return [one for t_s in until_s for one in check.flow(t_s, track)]


def test_at_constant_speed_the_newest_dwell_is_the_length_of_the_zone_by_the_speed():
    """Identity of kinematics (derived; no source needed)."""
    check, track = check_of(), track_at(3.5, 3.5)
    found_by(check, track, 110.0)
    assert check.newest_s == pytest.approx(sum(z.end_m - z.start_m for z in check.zones) / 3.5, rel=1e-6)


def test_a_slow_minute_is_a_finding_over_its_metres_and_an_alarm_that_returns():
    check, track = check_of(), track_at(3.5, 0.5, 3.5)
    found = found_by(check, track, 175.0)
    events = [e for e in found if isinstance(e, AlarmEvent)]
    assert [(e.alarm, e.event) for e in events] == [("shock-oven/dwell/long", x) for x in ("raised", "returned")]
    first, last = (f for f in found if isinstance(f, Finding))
    assert first.key == last.key
    assert last.end_m is not None
    assert last.end_m - last.start_m > 0.5 * 60.0 - 1.0
    assert last.limit == check.dwell.max_s
    assert last.extreme > last.limit


@pytest.mark.parametrize("step_s", [0.7, 5.0, 41.0])
def test_no_cut_of_time_changes_what_is_found(step_s):
    track = track_at(3.5, 0.5, 3.5)
    whole = found_by(check_of(), track, 175.0)
    assert found_by(check_of(), track, *np.arange(1.0, 175.0, step_s), 175.0) == whole


def test_another_recipe_ends_what_is_open_and_goes_on_at_the_same_metre():
    check, track = check_of(), track_at(3.5, 0.5)
    found_by(check, track, 118.0)
    event, finding = check.close(118.0, track)
    assert (event.event, finding.end_s) == ("returned", 118.0)
    assert check_of(before=[check]).next_m == check.next_m
    assert list(check_of(before=[check]).close(118.0, track)) == []


def test_a_zone_that_the_line_does_not_have_is_left_out():
    older = RECIPE.model_copy(update={"dwell": [d.model_copy(update={"zone": "oven-z"}) for d in RECIPE.dwell]})
    assert dwell.checks(older, LINE, []) == []
    assert dwell.checks(None, LINE, []) == []
