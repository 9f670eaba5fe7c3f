"""The alarm table: ISA-18.2 states, recalled (letters A B C D G H I of its diagram), and what a table must keep."""

from collections.abc import Iterable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.record import AlarmChange, AlarmOccurrence, AlarmState, Priority
from monitor.core.alarms import EVENTS, TABLE, AlarmBook, AlarmEvent, Definition, next_state

A, B, C, D = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED
G, H, I = AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE  # noqa: E741


@pytest.mark.parametrize(
    ("state", "event", "active", "after"),
    [
        (A, "raised", True, B),
        (B, "acknowledge", True, C),
        (C, "returned", False, A),
        (B, "returned", False, D),
        (D, "acknowledge", False, A),
        (D, "raised", True, B),
        (B, "shelve", True, G),
        (G, "unshelve", False, A),
        (G, "unshelve", True, B),
        (G, "shelving ended", True, B),
        (C, "suppressed", False, H),
        (H, "suppression ended", False, A),
        (A, "take out of service", False, I),
        (I, "return to service", True, B),
    ],
)
def test_transition_as_recalled_from_isa_18_2(state, event, active, after):
    assert next_state(state, event, active) is after


def test_every_state_can_be_reached_and_can_get_back_to_normal():
    edges: dict[AlarmState, set[AlarmState]] = {s: set() for s in AlarmState}
    for (state, _), to in TABLE.items():
        edges[state] |= set(to) if isinstance(to, tuple) else {to}

    def reach(start: AlarmState) -> set[AlarmState]:
        seen, todo = {start}, [start]
        while todo:
            for nxt in edges[todo.pop()] - seen:
                seen.add(nxt)
                todo.append(nxt)
        return seen

    assert reach(A) == set(AlarmState)
    assert all(A in reach(state) for state in AlarmState)


@given(st.sampled_from(AlarmState), st.text(max_size=12), st.booleans())
def test_what_is_not_listed_changes_nothing(state, event, active):
    if (state, event) not in TABLE:
        assert next_state(state, event, active) is state


def book() -> AlarmBook:
    made = AlarmBook("core-1")
    made.define({"x/HI": Definition(Priority.HIGH, 10.0, "mm")})
    return made


def event(t: int, what: str, **more: Any) -> AlarmEvent:
    return AlarmEvent(known_s=float(t), seq=t, t_s=float(t), alarm="x/HI", event=what, **more)


def states(made: AlarmBook, events: Iterable[AlarmEvent]) -> list[AlarmState]:
    return [c.after for e in events if isinstance(c := made.apply(e, "r", 1), AlarmChange)]


def test_an_answer_to_another_occurrence_changes_nothing():
    made = book()
    assert states(made, [event(1, "raised"), event(2, "returned"), event(3, "raised")]) == [B, D, B]
    assert states(made, [event(4, "acknowledge", occurrence_s=1.0)]) == []
    assert states(made, [event(5, "acknowledge", occurrence_s=3.0)]) == [C]


@pytest.mark.parametrize(("answer", "after"), [("acknowledge", C), ("shelve", G)])
@pytest.mark.parametrize(
    ("off_s", "is_same"), [(0.0, True), (0.0004, True), (-0.0004, True), (0.0011, False), (-2.0, False)]
)
def test_an_answer_holds_for_the_occurrence_it_names_to_the_millisecond(answer, after, off_s, is_same):
    """F9: a time that passed through milliseconds is the same; shelving another occurrence was noticed by no test."""
    made = book()
    states(made, [event(3, "raised")])
    assert states(made, [event(5, answer, occurrence_s=3.0 + off_s)]) == ([after] if is_same else [])


def test_what_answers_no_occurrence_takes_effect_whatever_it_names():
    made = book()
    states(made, [event(3, "raised")])
    assert states(made, [event(4, "returned", occurrence_s=1.0), event(5, "raised", occurrence_s=1.0)]) == [D, B]


def test_another_definition_is_in_the_next_change_and_the_life_goes_on():
    made = book()
    states(made, [event(1, "raised", value=12.0)])
    made.define({"x/HI": Definition(Priority.LOW, 11.0, "cm"), "y": Definition(Priority.LOW, None, "")})
    change = made.apply(event(2, "acknowledge", by="Mira", reason="seen"), "r", 7)
    assert change == AlarmChange(
        line="core-1", alarm="x/HI", occurrence_s=1.0, t_s=2.0, event="acknowledge", before=B, after=C,
        priority=Priority.LOW, value=12.0, limit=11.0, unit="cm", line_metre=None, recipe="r", revision=7, by="Mira",
        reason="seen", until_s=None,
    )  # fmt: skip
    assert made.alarms["y"].state is A
    assert made.apply(AlarmEvent(known_s=3.0, seq=3, t_s=3.0, alarm="z", event="raised"), "r", 7) is None


@pytest.mark.parametrize("first", ["raised", "returned"])
def test_events_of_one_moment_keep_the_order_in_which_they_were_found(first):
    """Nothing but time, arrival and name puts them in order: neither words nor values, of which some are missing."""
    then = "returned" if first == "raised" else "raised"
    whole = {"occurrence_s": 1.0, "value": 2.0, "line_metre": 3.0, "by": "B", "reason": "b", "shelve_for_s": 4.0}
    found = [event(1, first, **whole), event(1, then), event(1, first, by="A", reason="a"), event(1, then, **whole)]
    assert sorted(found) == found
    assert [e.event for e in sorted(found)] == [first, then, first, then]
    assert event(1, first, **whole) == event(1, then)


def test_only_shelving_for_a_time_has_an_end_and_it_counts_from_when_it_became_known():
    made = book()
    late = AlarmEvent(known_s=9.0, seq=1, t_s=2.0, alarm="x/HI", event="shelve", shelve_for_s=60.0)
    change = made.apply(late, "r", 1)
    assert isinstance(change, AlarmChange)
    assert (change.t_s, change.until_s) == (2.0, 69.0)
    states(made, [event(10, "unshelve"), event(11, "raised", shelve_for_s=5.0)])
    assert made.alarms["x/HI"].until_s is None
    states(made, [event(12, "shelve")])
    assert made.alarms["x/HI"].until_s is None
    assert made.shelving_ends(1e9) == []


def applied(made: AlarmBook, events: list[AlarmEvent], upto_s: float) -> list[tuple[float, Any]]:
    """When each change became known, and what it is."""
    in_order = made.in_order(events, upto_s, lambda e: [e])
    return [(e.known_s, change) for e in in_order if (change := made.apply(e, "r", 1)) is not None]


def test_ends_of_shelving_take_their_places_between_the_events():
    made = AlarmBook("core-1")
    made.define(dict.fromkeys(("x/HI", "y"), Definition(Priority.HIGH, 10.0, "mm")))
    raise_y = AlarmEvent(known_s=30.0, seq=30, t_s=30.0, alarm="y", event="raised")
    events = [
        event(50, "raised"),
        event(1, "shelve", shelve_for_s=20.0),
        raise_y,
        event(40, "shelve", shelve_for_s=5.0),
    ]
    out = applied(made, events, 45.0)
    assert [(known_s, c.alarm, c.event, c.after) for known_s, c in out if isinstance(c, AlarmChange)] == [
        (1.0, "x/HI", "shelve", G), (21.0, "x/HI", "shelving ended", A), (30.0, "y", "raised", B),
        (40.0, "x/HI", "shelve", G), (45.0, "x/HI", "shelving ended", A), (50.0, "x/HI", "raised", B),
    ]  # fmt: skip
    made = book()
    assert [c.after for _, c in applied(made, [event(1, "shelve", shelve_for_s=2.0)], 3.0)] == [G, A]
    made = book()
    assert [c.after for _, c in applied(made, [event(1, "shelve", shelve_for_s=2.0)], 2.9)] == [G]
    assert applied(made, [event(2, "acknowledge"), event(2, "returned")], 2.9) == []  # nothing changes


def test_shelving_ends_by_itself_and_shows_the_present_value():
    made = book()
    states(made, [event(1, "raised"), event(2, "shelve", shelve_for_s=60.0)])
    assert made.shelving_ends(61.9) == []
    (end,) = made.shelving_ends(62.0)
    assert states(made, [end]) == [B]
    assert made.shelving_ends(100.0) == []


def test_shelving_for_no_time_ends_at_once():
    """A13. 0 s is a time: it was taken for shelving without an end."""
    made = book()
    assert states(made, [event(1, "raised"), event(2, "shelve", shelve_for_s=0.0)]) == [B, G]
    assert made.alarms["x/HI"].until_s == 2.0
    assert states(made, made.shelving_ends(2.0)) == [B]


def test_what_returns_while_shelved_is_normal_afterwards():
    made = book()
    assert states(made, [event(1, "raised"), event(2, "shelve"), event(3, "returned"), event(4, "unshelve")]) == [
        B,
        G,
        A,
    ]


def test_what_is_raised_again_while_shelved_is_the_newer_occurrence():
    """A3: it was not on record, so a line that was rebuilt had the older one."""
    made = book()
    states(made, [event(1, "raised"), event(2, "shelve"), event(3, "returned")])
    newer = made.apply(event(4, "raised", value=12.0, line_metre=7.0), "r", 1)
    assert newer == AlarmOccurrence(line="core-1", alarm="x/HI", occurrence_s=4, value=12.0, line_metre=7.0)


@given(st.lists(st.tuples(st.sampled_from(EVENTS), st.integers(0, 50)), max_size=40))
def test_changes_chain_and_name_who_and_why(steps):
    made = book()
    before = A
    for i, (what, _) in enumerate(steps):
        change = made.apply(event(i, what, by="Mira", reason="looked"), "r", 1)
        if isinstance(change, AlarmChange):
            assert change.before is before
            assert change.after is not before
            assert (change.by, change.reason, change.limit) == ("Mira", "looked", 10.0)
            before = change.after
    assert made.alarms["x/HI"].state is before
