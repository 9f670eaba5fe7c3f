"""Which line comes first: what is active now decides before anything that has ended (C16)."""

from hypothesis import given
from hypothesis import strategies as st

from dashboard.queries.attention import PRIORITIES, STATES, by_need, need_of
from monitor.contract.reading import AlarmRow

ALARM = st.tuples(st.sampled_from(PRIORITIES), st.sampled_from([*STATES, "shelved"]))


def alarm(line: str, priority: str, state: str, name: str = "head/pressure/HI") -> AlarmRow:
    return AlarmRow(
        line=line,
        alarm=name,
        occurrence_ms=1,
        t_ms=1,
        event="raised",
        state=state,
        priority=priority,
        value=1.0,
        limit=1.0,
        unit="bar",
        line_metre=None,
        recipe=None,
        revision=None,
        by="",
        reason="",
        until_ms=None,
    )


def alarms(line: str, *several: tuple[str, str]) -> list[AlarmRow]:
    return [alarm(line, *one) for one in several]


def test_c16_the_line_with_the_only_active_alarm_comes_first_whatever_has_ended_elsewhere():
    ended = [("high", "returned to normal unacknowledged")] * 9
    rows = [*alarms("a", *ended), *alarms("b", *ended[:3]), *alarms("c", ("low", "unacknowledged"))]
    assert [name for name, _ in by_need(rows, ["a", "b", "c"])] == ["c", "a", "b"]


def test_priority_decides_first_and_what_nobody_has_acknowledged_before_what_somebody_has():
    rows = [
        *alarms("taken", *[("high", "acknowledged")] * 3),
        *alarms("waiting", ("high", "unacknowledged")),
        *alarms("many", *[("medium", "unacknowledged")] * 9),
    ]
    assert [name for name, _ in by_need(rows, ["many", "taken", "waiting"])] == ["waiting", "taken", "many"]


def test_the_reason_is_given_in_words():
    several = [("high", "unacknowledged"), ("low", "acknowledged"), ("low", "returned to normal unacknowledged")]
    assert need_of(alarms("a", *several)).why == ("1 high active; 1 low active, acknowledged; 1 ended, unacknowledged")
    assert by_need(alarms("a", ("high", "shelved")), ["a"]) == []


@given(st.lists(ALARM, max_size=8), st.lists(ALARM, max_size=8))
def test_no_number_of_ended_alarms_outweighs_an_active_one(one, other):
    other = [*other, ("low", "acknowledged")]
    ended_only = [a for a in one if a[1] == "returned to normal unacknowledged"]
    rows = [*alarms("ended", *ended_only), *alarms("active", *other)]
    assert by_need(rows, ["ended", "active"])[0][0] == "active"
