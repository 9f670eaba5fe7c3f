"""Alarm figures by their definitions; thresholds and which of them are recalled stand in `AlarmFigureSettings`."""

from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.analysis.activations import Activation, of_changes, of_rows
from monitor.analysis.alarm_load import figures, observed
from monitor.contract.config.works import AlarmFigureSettings
from monitor.contract.record import SILENCE_ALARM, AlarmChange
from tests.core.script import Script, decoded, pipeline
from tests.core.test_pipeline import core_line, of

S = AlarmFigureSettings()
DAY = 86_400.0


def raised(
    times: Iterable[float], alarm: str = "oven/HI", lasts: float | None = 30.0, priority: str = "low"
) -> list[Activation]:
    return [
        Activation(line="core-1", alarm=alarm, priority=priority, t_s=t, end_s=None if lasts is None else t + lasts)
        for t in times
    ]


def test_iec_62682_one_alarm_in_ten_minutes_is_144_a_day():
    """About 144 a day acceptable, 288 manageable (IEC 62682:2014 as quoted in the trade press)."""
    found = figures(raised([600.0 * i for i in range(144)]), 0, DAY, S)
    assert found.per_window == pytest.approx(1.0)
    assert figures(raised([300.0 * i for i in range(288)]), 0, DAY, S).per_window == pytest.approx(2.0)


def test_the_rate_is_per_operator_position():
    two = AlarmFigureSettings(operator_positions=2)
    assert figures(raised([600.0 * i for i in range(144)]), 0, DAY, two).per_window == pytest.approx(0.5)


def test_a_flood_begins_with_the_tenth_alarm_and_ends_below_five():
    """ISA-18.2 (recalled): begins at ten or more in ten minutes, ends when fewer than five."""
    times = [1000.0 + 10 * i for i in range(12)]
    (flood,) = figures(raised(times), 0, 10_000, S).floods
    assert flood.start_s == times[9]
    assert flood.end_s == times[12 - 5] + 600
    assert flood.count == 3


def test_more_than_ten_is_the_other_reading():
    more = AlarmFigureSettings(flood_wants_more=True)
    ten = raised([10.0 * i for i in range(10)])
    assert len(figures(ten, 0, 10_000, S).floods) == 1
    assert len(figures(ten, 0, 10_000, more).floods) == 0
    assert len(figures(raised([10.0 * i for i in range(11)]), 0, 10_000, more).floods) == 1


def test_a_flood_that_never_empties_lasts_to_the_end():
    found = figures(raised([30.0 * i for i in range(200)]), 0, 6000, S)
    assert [(f.start_s, f.end_s) for f in found.floods] == [(270.0, 6000.0)]
    assert found.flood_share == pytest.approx((6000 - 270) / 6000)


def test_two_floods_apart_are_two():
    times = [10.0 * i for i in range(10)] + [5000 + 10.0 * i for i in range(10)]
    assert len(figures(raised(times), 0, 20_000, S).floods) == 2


def test_who_makes_the_load():
    found = figures(raised([0, 100, 200], "a/HI") + raised([50], "b/LO", priority="high"), 0, 1000, S)
    assert [(f.alarm, f.count, f.share) for f in found.frequent] == [("core-1/a/HI", 3, 0.75), ("core-1/b/LO", 1, 0.25)]
    assert found.priorities == {"low": 0.75, "medium": 0.0, "high": 0.25}


def test_chattering_is_three_in_a_minute_of_one_alarm():
    assert figures(raised([0, 20, 59], lasts=5), 0, 1000, S).chattering == ("core-1/oven/HI",)
    assert figures(raised([0, 30, 61], lasts=5), 0, 1000, S).chattering == ()
    both = raised([0, 20], lasts=5) + raised([40], "b/LO", lasts=5)
    assert figures(both, 0, 1000, S).chattering == ()


def test_fleeting_ones_were_gone_before_anyone_could_look():
    assert (
        figures(raised([0, 100], lasts=9) + raised([200], lasts=10) + raised([300], lasts=None), 0, 1000, S).fleeting
        == 2
    )


def test_stale_ones_stand_for_more_than_a_day_though_raised_before():
    old = raised([-2 * DAY], lasts=None)
    assert figures(old, 0, DAY, S).stale == ("core-1/oven/HI",)
    assert figures(old, 0, DAY, S).count == 0
    assert figures(raised([-2 * DAY], lasts=DAY), 0, DAY, S).stale == ()


def test_an_empty_span_is_refused_and_a_quiet_one_is_quiet():
    with pytest.raises(ValueError, match="span"):
        figures([], 5, 5, S)
    assert figures([], 0, 600, S).peak == 0


@given(st.lists(st.floats(0, 5000), max_size=80))
def test_floods_lie_apart_and_inside_and_hold_a_full_window(times):
    found = figures(raised(sorted(times)), 0, 6000, S)
    assert (found.peak >= S.flood_begins) == bool(found.floods)
    for a, b in zip(found.floods, found.floods[1:], strict=False):
        assert a.end_s <= b.start_s
    assert all(0 <= f.start_s < f.end_s <= 6000 for f in found.floods)


def test_activations_are_paired_with_their_returns():
    def before(script: Script, s: int) -> None:
        if 20 <= s < 40 or 60 <= s < 70:
            script.arrivals = [
                a
                for a in script.arrivals
                if not (a.topic.endswith("oven-b/temperature") and a.received_s > 1.764e9 + s)
            ]
            script.numbers["oven-b/temperature"] -= 1
            script.send_samples("oven-b/temperature", 1.764e9 + s, [330.0, 330.0], 0.5)

    out = pipeline().feed(decoded(core_line(120, before=before).sorted()))
    found = [r for r in of_changes(of(AlarmChange, out)) if r.alarm == "oven-b/temperature/HI"]
    assert [round(r.t_s - 1.764e9) for r in found] == [25, 65]
    assert all(r.end_s is not None and 9 < r.end_s - r.t_s < 25 for r in found)
    assert of_rows([]) == []


def test_a_rate_is_of_the_time_that_was_observed():
    """C3: the rate of a record of 45 minutes was divided by the 24 hours that were asked for."""
    ten = raised([100.0 * i for i in range(10)])
    watched_s = observed({"core-1": (DAY - 2700, DAY)}, ten, 0, DAY)
    assert watched_s == 2700
    assert figures(ten, 0, DAY, S, observed_s=watched_s).per_window == pytest.approx(10 / 4.5)


def test_nothing_observed_has_no_rate():
    found = figures([], 0, DAY, S, observed_s=0.0)
    assert found.per_window != found.per_window
    assert found.flood_share != found.flood_share


def test_a_line_is_not_observed_while_it_sends_nothing():
    silent = raised([100.0, 800.0], SILENCE_ALARM, lasts=200.0)
    assert observed({"core-1": (0.0, 1000.0)}, silent, 0, 2000) == 1000 - 200 - 200
    assert observed({"core-1": (0.0, 1000.0), "core-2": (200.0, 250.0)}, silent, 0, 2000) == 650


LINES = st.dictionaries(
    st.sampled_from("abc"), st.tuples(st.integers(0, 60), st.integers(0, 60)).map(sorted).map(tuple)
)


@given(LINES, st.lists(st.tuples(st.sampled_from("abc"), st.integers(0, 60), st.none() | st.integers(0, 30))))
def test_observed_seconds_are_those_in_which_a_line_sent(recorded, silences):
    activations = [
        Activation(line=line, alarm=SILENCE_ALARM, priority="low", t_s=t, end_s=None if lasts is None else t + lasts)
        for line, t, lasts in silences
    ]
    wanted = sum(
        any(
            a <= t < b
            and not any(r.line == line and r.t_s <= t < (np.inf if r.end_s is None else r.end_s) for r in activations)
            for line, (a, b) in recorded.items()
        )
        for t in range(10, 50)
    )
    assert observed(recorded, activations, 10, 50) == wanted
