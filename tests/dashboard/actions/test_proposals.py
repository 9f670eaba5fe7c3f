"""Proposals of limits: what is sent, by whom, and what is rejected before it is sent."""

import pytest
from flask import g

from dashboard.actions import proposals
from dashboard.actions.operator import RejectedActionError
from dashboard.gateway import NotSentError
from dashboard.web.accounts import Person
from monitor.contract.messages import LimitsStep
from monitor.contract.reading import ProposalRow

HI = "window/oven-b/temperature/hi"


def test_a_proposal_carries_changes_reason_and_rehearsal(context, gateway):
    proposals.propose(context, ["core-1", "core-2"], "core-2g5", {HI: 318.0}, " Mira ", "too tight", "16 become 8")
    (line, step), (other, _) = gateway.sent
    assert (line, other) == ("core-1", "core-2")
    assert (step.step, step.by, step.reason, step.rehearsal, step.base) == (
        "propose",
        "Mira",
        "too tight",
        "16 become 8",
        1,
    )
    assert step.changes == {HI: 318.0}
    assert len({s.proposal for _, s in gateway.sent}) == 2


@pytest.mark.parametrize(
    ("changes", "by", "reason", "words", "says"),
    [
        ({}, "Mira", "x", "y", "Change a limit first"),
        ({HI: 318.0}, "", "x", "y", "Enter your name"),
        ({HI: 318.0}, "Mira", " ", "y", "Enter a reason"),
        ({HI: 318.0}, "Mira", "x", "", "Rehearse these limits first"),
    ],
)
def test_what_is_wanting_is_reported_and_nothing_is_sent(context, gateway, changes, by, reason, words, says):
    with pytest.raises(RejectedActionError, match=says):
        proposals.propose(context, ["core-1"], "core-2g5", changes, by, reason, words)
    assert gateway.sent == []


def test_decisions_and_the_way_back_are_sent(context, gateway):
    proposals.decide(context, "core-1", "core-2g5", "core-1-5", "approve", "Olle", "agreed")
    proposals.go_back(context, "core-1", "core-2g5", 1, "Olle", "")
    steps = [step for _, step in gateway.sent]
    assert [(s.step, s.by, s.proposal, s.to) for s in steps] == [
        ("approve", "Olle", "core-1-5", None), ("go back", "Olle", "", 1),
    ]  # fmt: skip
    with pytest.raises(RejectedActionError, match="Unknown step"):
        proposals.decide(context, "core-1", "core-2g5", "x", "burn", "Olle", "")


@pytest.mark.parametrize(
    ("role", "may"), [("look", False), ("answer alarms", False), ("change limits", True), ("administer", True)]
)
def test_where_there_are_accounts_the_role_decides_and_the_name_is_theirs(app, context, gateway, role, may):
    with app.server.test_request_context("/"):
        g.person = Person("Olle", role)
        if may:
            proposals.decide(context, "core-1", "core-2g5", "P", "refuse", "somebody else", "")
            assert gateway.sent[0][1].by == "Olle"
        else:
            with pytest.raises(RejectedActionError, match="'change limits' is required"):
                proposals.decide(context, "core-1", "core-2g5", "P", "refuse", "Mira", "")


def test_a_broker_that_is_away_is_reported(context, gateway, monkeypatch):
    def away(_line: str, _step: LimitsStep) -> None:
        raise NotSentError("Not sent: no broker")

    monkeypatch.setattr(gateway, "send", away)
    with pytest.raises(RejectedActionError, match="no broker"):
        proposals.go_back(context, "core-1", "core-2g5", 1, "Olle", "")


def test_nobody_is_let_approve_their_own_on_the_page_either(context, gateway, record):
    record.proposed[:] = [
        ProposalRow(
            line="core-1",
            proposal="P1",
            recipe="core-2g5",
            base=1,
            state="proposed",
            changes={HI: 318.0},
            by="Mira",
            reason="x",
            t_ms=0,
            rehearsal="",
            decided_by="",
            decided_reason="",
            decided_ms=None,
            revision=None,
        )
    ]
    with pytest.raises(RejectedActionError, match="second person"):
        proposals.decide(context, "core-1", "core-2g5", "P1", "approve", " mira", "")
    proposals.decide(context, "core-1", "core-2g5", "P1", "withdraw", "Mira", "")
    assert [step.step for _, step in gateway.sent] == ["withdraw"]
