"""The alarm table: ISA-18.2 states, recalled (letters A B C D G H I of its diagram), and what a table must keep."""

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
    edges = {s: set() for s in AlarmState}
    for (state, _), to in TABLE.items():
        edges[state] |= set(to) if isinstance(to, tuple) else {to}

    def reach(start):
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


def event(t, what, **more) -> AlarmEvent:
    return AlarmEvent(float(t), t, float(t), "x/HI", what, **more)


def states(made: AlarmBook, events) -> list:
    return [c.after for e in events if isinstance(c := made.apply(e, "r", 1), AlarmChange)]


def test_an_answer_to_another_occurrence_changes_nothing():
    made = book()
    assert states(made, [event(1, "raised"), event(2, "returned"), event(3, "raised")]) == [B, D, B]
    assert states(made, [event(4, "acknowledge", occurrence_s=1.0)]) == []
    assert states(made, [event(5, "acknowledge", occurrence_s=3.0)]) == [C]


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
