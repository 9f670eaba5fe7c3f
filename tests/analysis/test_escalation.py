"""Who is notified of an alarm and when (D9: no notification, no escalation)."""

from hypothesis import given
from hypothesis import strategies as st

from monitor.analysis.escalation import RETRY_S, SETTLE_S, Escalation
from monitor.contract.config.works import Contact
from monitor.contract.messages import AlarmReport

RESPOND_S = 300.0


def contact(name: str, step: int = 0, **more: object) -> Contact:
    return Contact(name=name, step=step, address_variable="X", **more)


def report(
    state: str = "unacknowledged", occurrence: int = 1, alarm: str = "oven/HI", priority: str = "high"
) -> AlarmReport:
    return AlarmReport(t=occurrence, alarm=alarm, occurrence=occurrence, state=state, priority=priority, text="")


def escalation(*contacts: Contact, shift: str | None = None) -> Escalation:
    return Escalation(contacts, lambda _: shift)


def names(found: Escalation, now_s: float) -> list[list[str]]:
    return [[notice.contact for notice in together] for together in found.due(now_s)]


def test_the_first_step_after_a_moment_the_next_after_the_time_to_respond():
    found = escalation(contact("operator"), contact("foreman", 1), contact("second foreman", 1), contact("manager", 3))
    found.report("core-1", report(), RESPOND_S, 0.0)
    assert names(found, SETTLE_S - 0.1) == []
    assert names(found, SETTLE_S) == [["operator"]]
    assert names(found, SETTLE_S) == []
    assert names(found, SETTLE_S + RESPOND_S) == [["foreman", "second foreman"]]
    assert names(found, SETTLE_S + 2 * RESPOND_S) == [["manager"]], "a step without a contact costs no time"
    assert names(found, 1e9) == []


def test_an_acknowledgement_or_return_ends_it_and_another_activation_begins_anew():
    found = escalation(contact("operator"), contact("foreman", 1))
    for state in ("acknowledged", "normal", "returned to normal unacknowledged", "shelved"):
        found.report("core-1", report(), RESPOND_S, 0.0)
        found.report("core-1", report(state), RESPOND_S, 1.0)
        assert names(found, 1e6) == []
    found.report("core-1", report(occurrence=2), RESPOND_S, 0.0)
    assert names(found, 10.0) == [["operator"]]
    found.report("core-1", report(occurrence=2), RESPOND_S, 11.0)
    assert names(found, 20.0) == [], "the same activation reported again"
    found.report("core-1", report(occurrence=3), RESPOND_S, 21.0)
    assert names(found, 30.0) == [["operator"]]


def test_priority_line_and_shift_choose():
    found = escalation(
        contact("high only"), contact("all of them", priorities=["low", "medium", "high"]),
        contact("core-2", lines=["core-2"]), contact("nights", shifts=["night"]), shift="early",
    )  # fmt: skip
    found.report("core-1", report(), RESPOND_S, 0.0)
    found.report("core-1", report(alarm="oven/LO", priority="low"), RESPOND_S, 0.0)
    assert names(found, 10.0) == [["high only", "all of them"], ["all of them"]]


def test_where_a_step_is_not_reached_the_next_is_due_at_once_and_in_the_end_all_again():
    found = escalation(contact("operator"), contact("foreman", 1))
    found.report("core-1", report(), RESPOND_S, 0.0)
    (first,) = found.due(10.0)
    assert not found.not_reached(first, 10.0)
    (second,) = found.due(10.0)
    assert second[0].contact == "foreman"
    assert found.not_reached(second, 10.0), "nobody is left"
    assert found.due(10.0 + RETRY_S - 1) == []
    assert names(found, 10.0 + RETRY_S) == [["operator"]]


def test_what_was_acknowledged_while_it_could_not_be_sent_is_not_sent_again():
    found = escalation(contact("operator"))
    found.report("core-1", report(), RESPOND_S, 0.0)
    (first,) = found.due(10.0)
    found.report("core-1", report("acknowledged"), RESPOND_S, 11.0)
    assert not found.not_reached(first, 12.0)
    assert found.due(1e9) == []


EVENTS = st.lists(
    st.tuples(st.sampled_from(["unacknowledged", "acknowledged", "normal"]), st.integers(1, 3), st.floats(0.1, 400.0)),
    max_size=20,
)


@given(EVENTS)
def test_nobody_is_notified_twice_of_one_step_of_one_activation(events):
    found, now_s, sent = escalation(contact("operator"), contact("foreman", 1)), 0.0, []
    newest = 0
    for state, occurrence, later_s in events:
        newest = max(newest, occurrence)
        found.report("core-1", report(state, newest), RESPOND_S, now_s)
        now_s += later_s
        sent += [(n.report.occurrence, n.contact, n.step) for notices in found.due(now_s) for n in notices]
    ended = sum(state != "unacknowledged" for state, *_ in events)
    assert all(sent.count(one) <= 1 + ended for one in sent)
    assert len(set(sent)) == len(sent) or ended


@given(EVENTS)
def test_it_goes_on_after_a_restart_as_if_there_had_been_none(events):
    contacts = (contact("operator"), contact("foreman", 1))
    whole, broken, now_s = escalation(*contacts), escalation(*contacts), 0.0
    for state, occurrence, later_s in events:
        for one in (whole, broken):
            one.report("core-1", report(state, occurrence), RESPOND_S, now_s)
        now_s += later_s
        broken = Escalation(contacts, lambda _: None, broken.waiting)
        assert whole.due(now_s) == broken.due(now_s)
