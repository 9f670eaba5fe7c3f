"""Alarms of one happening are one event: what joins, what stays apart, what asks, and what an answer does."""

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.contract.record import AlarmChange, AlarmState, LineEvent, Output, Priority
from monitor.core.alarms import AlarmBook, AlarmEvent, Definition
from monitor.core.events import WAITING_MOST, CableNow, EventBook, spacing_m, stops
from monitor.core.state import StateTimeline
from monitor.core.track import Track
from tests.core.script import T0, Script, configuration, decoded, pipeline
from tests.core.test_pipeline import core_line, unkind_script
from tests.core.test_whole_cable import scripts

LINE = configuration().lines["core-1"]
SPEED = 4.0  # m/s
ALARMS = {
    "cold-gauge/diameter-x/HI": "medium", "cold-gauge/diameter-x/HIHI": "high", "cold-gauge/diameter-y/HI": "medium",
    "cold-gauge/diameter-x/LO": "medium", "oven-b/temperature/LO": "medium", "oven-b/temperature/HI": "medium",
    "oven-a/temperature/LO": "medium", "cure/index-inner/scant": "low", "cure/index-inner/undercured": "high",
    "oven-a/dwell/long": "medium", "spark-electrode/spark-fault/spark-fault": "high", "head/pressure/HI": "low",
    "cold-gauge/diameter-x/missing": "high", "cold-gauge/diameter-x/stuck": "high",
}  # fmt: skip


class Bench:
    """An alarm book and an event book of a line that runs at an even speed from T0 on, at line metre 1000."""

    def __init__(self) -> None:
        self.book, self.events = AlarmBook("core-1"), EventBook(LINE)
        self.book.define({name: Definition(Priority(p), None, "") for name, p in ALARMS.items()})
        track = Track.of(LINE)
        t_s = np.arange(0.0, 20_000.0, 1.0)
        track.begin(T0, 1000.0)
        track.t_s, track.L_m = T0 + t_s, 1000.0 + SPEED * t_s
        self.states = StateTimeline(stopped_below_m_per_s=0.05)
        self.cable = CableNow(LINE, track, self.states)
        self.seq = 0
        self.out: list[LineEvent] = []
        self.changes: list[AlarmChange] = []

    def say(self, t: float, alarm: str, event: str, metre: float | None = None, **more: Any) -> None:
        self.seq += 1
        given = AlarmEvent(known_s=T0 + t, seq=self.seq, t_s=T0 + t, alarm=alarm, event=event, line_metre=metre, **more)
        for one in self.book.in_order([given], T0 + t, self.events.answers):
            change = self.book.apply(one, None, None)
            self.changes += [change] if isinstance(change, AlarmChange) else []
            self.out += self.events.note(one, self.book.alarms.get(one.alarm), self.cable)

    def raised(self, t: float, alarm: str, metre: float | None = None) -> None:
        self.say(t, alarm, "raised", metre)

    def returned(self, t: float, alarm: str) -> None:
        self.say(t, alarm, "returned")

    @property
    def now(self) -> dict[str, LineEvent]:
        """The newest form of each event, in the order in which they began."""
        return {e.event: e for e in self.out}

    @property
    def made(self) -> list[tuple[str, set[str]]]:
        """Kind and alarms of each."""
        return [(e.kind, {m.alarm for m in e.members}) for e in self.now.values()]


def test_a_lump_that_both_gauges_and_two_limits_see_is_one_thick_place():
    bench = Bench()
    bench.raised(10.0, "cold-gauge/diameter-x/HI", 1044.0)
    bench.raised(10.1, "cold-gauge/diameter-x/HIHI", 1044.2)
    bench.raised(10.1, "cold-gauge/diameter-y/HI", 1044.1)
    for i, alarm in enumerate(("cold-gauge/diameter-x/HIHI", "cold-gauge/diameter-x/HI", "cold-gauge/diameter-y/HI")):
        bench.returned(10.5 + i / 10, alarm)
    (event,) = bench.now.values()
    assert event.kind == "thick-place"
    assert len(event.members) == 3
    assert event.priority == "high"
    assert event.end_s == T0 + 10.7
    assert event.start_m == 1044.0


def test_a_lump_and_a_neck_beside_it_are_two_events_and_so_are_two_lumps_ten_metres_apart():
    bench = Bench()
    for alarm in ("cold-gauge/diameter-x/HI", "cold-gauge/diameter-y/HI"):
        bench.raised(10.0, alarm, 1044.0)
    for alarm in ("cold-gauge/diameter-x/HI", "cold-gauge/diameter-y/HI"):
        bench.returned(10.2, alarm)
    bench.raised(10.5, "cold-gauge/diameter-x/LO", 1046.0)
    bench.returned(10.7, "cold-gauge/diameter-x/LO")
    bench.raised(13.0, "cold-gauge/diameter-x/HI", 1056.0)
    assert [kind for kind, _ in bench.made] == ["thick-place", "thin-place", "thick-place"]


@pytest.mark.parametrize(("gauges", "events"), [(("x",), 1), (("x", "y"), 5)])
def test_places_that_one_of_two_gauges_sees_alone_are_one_event(gauges, events):
    """A gauge that drifts meets its limit again and again; a true lump is seen by both."""
    bench = Bench()
    for i in range(5):
        for axis in gauges:
            bench.raised(10.0 + 10 * i, f"cold-gauge/diameter-{axis}/HI", 1044.0 + 40 * i)
        for axis in gauges:
            bench.returned(10.2 + 10 * i, f"cold-gauge/diameter-{axis}/HI")
    assert len(bench.made) == events


def test_what_a_cold_oven_leaves_undercured_belongs_to_it_until_its_cable_has_gone():
    bench = Bench()
    bench.raised(100.0, "oven-b/temperature/LO", 1380.0)
    bench.raised(130.0, "cure/index-inner/undercured", 1430.0)
    bench.returned(200.0, "oven-b/temperature/LO")
    bench.raised(230.0, "oven-b/temperature/HI", 1890.0)  # the control swings back
    bench.returned(240.0, "oven-b/temperature/HI")
    bench.returned(250.0, "cure/index-inner/undercured")
    bench.raised(600.0, "cure/index-inner/scant", 3300.0)
    assert bench.made == [
        ("zone-excursion", {"oven-b/temperature/LO", "cure/index-inner/undercured", "oven-b/temperature/HI"}),
        ("cure", {"cure/index-inner/scant"}),
    ]


def test_a_consequence_that_is_noticed_first_takes_its_cause_in():
    bench = Bench()
    bench.raised(100.0, "cure/index-inner/scant", 1350.0)
    bench.raised(110.0, "oven-b/temperature/LO", 1400.0)
    (event,) = bench.now.values()
    assert event.kind == "zone-excursion"
    assert event.event == f"cure/index-inner/scant@{round((T0 + 100) * 1e3)}"


def test_two_zones_are_two_events():
    bench = Bench()
    bench.raised(100.0, "oven-b/temperature/LO", 1380.0)
    bench.raised(101.0, "oven-a/temperature/LO", 1380.0)
    assert [kind for kind, _ in bench.made] == ["zone-excursion", "zone-excursion"]


def test_what_a_stop_did_to_the_cable_in_the_line_is_one_event_that_begins_with_its_ramp():
    bench = Bench()
    bench.states.t_s = [T0, T0 + 100.0, T0 + 110.0, T0 + 170.0, T0 + 180.0]
    bench.states.code, bench.states.reason = [2, 1, 0, 1, 2], [""] * 5
    bench.raised(181.0, "oven-a/dwell/long", 1480.0)
    bench.raised(182.0, "cure/index-inner/undercured", 1450.0)
    bench.returned(190.0, "cure/index-inner/undercured")
    bench.raised(191.0, "cure/index-inner/undercured", 1490.0)
    bench.raised(192.0, "spark-electrode/spark-fault/spark-fault", 1470.0)
    stop, fault = bench.now.values()
    assert (stop.kind, stop.event) == ("stop", f"stop@{round((T0 + 100) * 1e3)}")
    assert stop.start_s == T0 + 100.0
    assert {m.alarm: m.raised for m in stop.members} == {"oven-a/dwell/long": 1, "cure/index-inner/undercured": 2}
    assert fault.kind == "insulation-fault"


def test_a_span_of_standing_runs_from_running_to_running():
    states = StateTimeline(stopped_below_m_per_s=0.05)
    states.t_s, states.code = [0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0], [2, 1, 2, 1, 0, 1, 2]
    assert stops(states, 100.0) == [(30.0, 60.0)]
    assert stops(states, 45.0) == [(30.0, 45.0)]
    assert stops(states, 35.0) == []


def test_faults_of_a_series_are_one_event_with_their_spacing():
    bench, alarm = Bench(), "spark-electrode/spark-fault/spark-fault"
    metres = [1100.0 + 2.513 * turn for turn in (0, 1, 3, 4, 7, 9)]
    bench.raised(25.0, alarm, metres[0])
    for metre in metres[1:]:
        bench.say(25.0 + (metre - metres[0]) / SPEED, alarm, "again", metre)
    bench.returned(45.0, alarm)
    bench.raised(50.0, alarm, metres[-1] + 30.0)
    bench.returned(60.0, alarm)
    bench.raised(70.0, alarm, metres[-1] + 30.0 + 45.0)
    series, single = bench.now.values()
    assert (series.faults, single.faults) == (7, 1)
    before_last = [e for e in bench.out if e.faults == 6][-1]
    assert before_last.spacing_m == pytest.approx(2.513, abs=1e-3)
    assert series.start_m == metres[0]
    assert series.end_m == metres[-1] + 30.0


def test_an_instrument_that_is_stuck_and_then_silent_is_one_event():
    bench = Bench()
    bench.raised(10.0, "cold-gauge/diameter-x/stuck", 1000.0)
    bench.returned(15.0, "cold-gauge/diameter-x/stuck")
    bench.raised(16.0, "cold-gauge/diameter-x/missing", 1020.0)
    assert [kind for kind, _ in bench.made] == ["instrument"]


# ---- answers ---------------------------------------------------------------------------------------------------------


def zone_event() -> tuple[Bench, str]:
    bench = Bench()
    bench.raised(100.0, "oven-b/temperature/LO", 1380.0)
    bench.raised(110.0, "cure/index-inner/scant", 1430.0)
    return bench, next(iter(bench.now))


def answer(bench: Bench, t: float, key: str, action: str = "acknowledge") -> None:
    bench.say(t, "", action, of_event=key, by="Mira")


def test_an_answer_to_an_event_is_an_answer_to_each_of_its_alarms():
    bench, key = zone_event()
    answer(bench, 120.0, key)
    answered = {c.alarm: c for c in bench.changes if c.event == "acknowledge"}
    assert set(answered) == {"oven-b/temperature/LO", "cure/index-inner/scant"}
    assert {c.after for c in answered.values()} == {AlarmState.ACKNOWLEDGED}
    event = bench.now[key]
    assert not event.asks
    assert (event.answered_by, event.answered_s) == ("Mira", T0 + 120.0)


def test_answers_to_each_alarm_are_an_answer_to_the_event():
    bench, key = zone_event()
    bench.say(120.0, "oven-b/temperature/LO", "acknowledge", by="Mira")
    assert bench.now[key].asks
    bench.say(121.0, "cure/index-inner/scant", "acknowledge", by="Olle")
    assert not bench.now[key].asks
    assert bench.now[key].answered_by == "Olle"


@pytest.mark.parametrize(("alarm", "asks"), [("cure/index-inner/undercured", True), ("oven-b/temperature/HI", False)])
def test_a_new_member_asks_again_only_if_it_is_graver(alarm, asks):
    """ISA-18.2's life of the alarm itself is untouched: it is unacknowledged either way."""
    bench, key = zone_event()
    answer(bench, 120.0, key)
    bench.raised(130.0, alarm, 1440.0)
    assert bench.now[key].asks is asks
    assert bench.now[key].answered_by == ("" if asks else "Mira")
    assert bench.book.alarms[alarm].state is AlarmState.UNACKNOWLEDGED


def test_a_new_member_asks_again_if_the_event_had_ended():
    bench, key = zone_event()
    answer(bench, 120.0, key)
    bench.returned(130.0, "oven-b/temperature/LO")
    bench.returned(131.0, "cure/index-inner/scant")
    assert bench.now[key].end_s == T0 + 131.0
    bench.raised(140.0, "oven-b/temperature/LO", 1540.0)
    assert bench.now[key].asks
    assert bench.now[key].end_s is None


def test_an_event_of_which_an_alarm_has_been_raised_elsewhere_since_is_answered_by_itself():
    """Two thick places: each wants its own answer; the later one's is not taken by the first."""
    bench, alarm = Bench(), "cold-gauge/diameter-x/HI"
    bench.raised(10.0, alarm, 1030.0)
    bench.returned(11.0, alarm)
    bench.raised(100.0, alarm, 1390.0)
    first, second = bench.now
    answer(bench, 110.0, first)
    assert bench.book.alarms[alarm].state is AlarmState.UNACKNOWLEDGED
    assert not bench.now[first].asks
    assert bench.now[second].asks
    answer(bench, 111.0, second)
    assert bench.book.alarms[alarm].state is AlarmState.ACKNOWLEDGED
    assert not bench.now[second].asks


def test_a_shelved_alarm_opens_an_event_that_asks_nothing_until_shelving_ends():
    bench, alarm = Bench(), "head/pressure/HI"
    bench.say(5.0, alarm, "shelve", by="Mira", shelve_for_s=60.0)
    bench.raised(10.0, alarm, 1040.0)
    (key,) = bench.now
    assert not bench.now[key].asks
    bench.raised(100.0, "head/pressure/HI", 1400.0)
    assert bench.book.alarms[alarm].state is AlarmState.UNACKNOWLEDGED
    assert bench.now[key].asks


def test_of_events_that_nobody_answers_the_newest_are_kept_and_what_is_dropped_asks_no_more():
    bench, alarm = Bench(), "cold-gauge/diameter-x/HI"
    for i in range(WAITING_MOST + 3):
        bench.raised(50.0 * i, alarm, 1004.0 + 200.0 * i)
        bench.returned(50.0 * i + 1.0, alarm)
    assert len(bench.events.events) == WAITING_MOST
    assert [e.asks for e in bench.now.values()] == [False] * 3 + [True] * WAITING_MOST


def test_an_answer_to_an_event_that_is_not_known_changes_nothing():
    bench, key = zone_event()
    answer(bench, 120.0, "no such event@1")
    assert bench.now[key].asks


# ---- spacing ---------------------------------------------------------------------------------------------------------


@settings(max_examples=200, deadline=None)
@given(
    st.floats(0.7, 5.0), st.lists(st.integers(1, 4), min_size=9, max_size=20).filter(lambda g: 1 in g),
    st.integers(0, 2**32),
)  # fmt: skip
def test_spacing_is_found_where_turns_are_missing(step, gaps, seed):
    off = np.random.default_rng(seed).normal(0.0, 0.005, len(gaps) + 1)
    metres = 100.0 + np.cumsum([0, *gaps]) * step + off
    assert spacing_m(metres.tolist()) == pytest.approx(step, abs=0.02)


def test_faults_at_any_place_have_no_spacing():
    rng = np.random.default_rng(3)
    found = [spacing_m(np.sort(rng.uniform(0.0, 100.0, 12)).tolist()) for _ in range(200)]
    assert sum(f is not None for f in found) <= 4


# ---- in the engine ---------------------------------------------------------------------------------------------------


def events_of(out: list[Output]) -> list[LineEvent]:
    return [o for o in out if isinstance(o, LineEvent)]


def test_each_raising_of_an_alarm_is_in_exactly_one_event():
    out = pipeline().feed(unkind_script())
    newest = {e.event: e for e in events_of(out)}.values()
    raised = [c for c in out if isinstance(c, AlarmChange) and c.event == "raised"]
    assert len(raised) > 10
    assert sum(m.raised for e in newest for m in e.members) >= len(raised)
    for change in raised:
        raising = (change.alarm, change.occurrence_s)
        holding = {e.event for e in events_of(out) for m in e.members if (m.alarm, m.occurrence_s) == raising}
        assert len(holding) == 1, change


@settings(max_examples=6, deadline=None)
@given(st.lists(st.integers(0, 2400), max_size=30))
def test_no_cut_of_the_arrivals_shows_in_events_nor_in_their_order(cuts):
    messages = unkind_script()
    engine, out = pipeline(), []
    edges = [0, *sorted(min(c, len(messages)) for c in cuts), len(messages)]
    for a, b in itertools.pairwise(edges):
        out += engine.feed(messages[a:b])
    assert events_of(out) == events_of(pipeline().feed(messages))


def test_every_line_has_events_that_no_cut_shows_in():
    for line, messages in scripts().items():
        engine, out = pipeline(line), []
        for message in messages:
            out += engine.feed([message])
        assert events_of(out) == events_of(pipeline(line).feed(messages)), line


def test_a_person_answers_an_event_by_its_key():
    """Too fast: an action that names the event acknowledges what speed, dwell and cure say of it."""
    key = ""

    def before(script: Script, s: int) -> None:
        if s == 55:
            script.send("operator/action", T0 + s, action="acknowledge", by="Mira", event=key)

    def fed() -> list[Output]:
        return pipeline().feed(decoded(core_line(60, lambda s: 230.0 if s < 20 else 262.0, before=before).sorted()))

    (key,) = {e.event for e in events_of(fed())}
    out = fed()
    answered = {c.alarm for c in out if isinstance(c, AlarmChange) and c.event == "acknowledge"}
    assert len(answered) > 1
    (event,) = {e.event: e for e in events_of(out)}.values()
    assert (event.event, event.kind) == (key, "fast-line")
    assert {m.alarm for m in event.members} >= answered
    assert event.answered_by == "Mira"
