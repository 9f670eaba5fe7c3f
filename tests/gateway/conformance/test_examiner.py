"""The conformance test finds each rule broken by name, and nothing wrong with a publisher that keeps them all."""

import pytest

from monitor.contract import rules
from monitor.gateway.conformance.examiner import Do, Examiner, Report
from tests.core.story import configuration
from tests.shell.publishers import STEP_S, T0_MS, Publisher

UNIT_S = 2.0
BROKEN = {
    "QoS 0": "R3",
    "retains": "R3",
    "hears no refusals": "R4",
    "shouts topics": "R5",
    "sends NaN": "R6",
    "leaves numbers out": "R9",
    "counts from 0 again": "R9",
    "begins at 7": "R10",
    "changes what it sends again": "R11",
    "stamps go back": "R12",
    "stamps in seconds": "R13",
    "trusts the broker": "R14",
    "newest first": "R16",
    "stream by stream": "R16",
    "does not knock": "R17",
    "takes stored for up to n": "R20",
    "stops over an unknown field": "R20",
    "keeps what is refused": "R21",
}


def examined(wrong: str = "") -> Examiner:
    """The whole trial of a publisher, in no time."""
    c = configuration()
    publisher = Publisher(wrong)
    examiner = Examiner("tarn", c.lines["core-1"], c.works.wire, UNIT_S)
    alive, away_s = True, 0.0
    for i in range(100_000):
        now_s = T0_MS / 1e3 + i * STEP_S
        if alive and not publisher.connected and now_s >= away_s:
            publisher.connect(now_s)
            examiner.connected(now_s)
            for topics in publisher.subscriptions:
                examiner.subscribed(topics)
        publisher.step(i, now_s)
        orders: list[Do | Report] = []
        while publisher.out:
            orders += examiner.published(*publisher.out.popleft(), now_s)
        orders += examiner.tick(now_s)
        for order in orders:
            if order is Do.END:
                return examiner
            if order in (Do.CUT, Do.KILL):
                publisher.connected, away_s = False, now_s + 0.5
            alive = (alive or order is Do.START) and order is not Do.KILL
            if isinstance(order, Report) and publisher.connected:
                publisher.hear(order.topic, order.payload)
    raise AssertionError("the trial does not end")


def broken(examiner: Examiner) -> dict[str, list[str]]:
    return {name: verdict.broken for name, verdict in examiner.verdicts.items() if verdict.broken}


def test_a_publisher_by_the_rules_breaks_none_and_every_rule_that_can_be_tried_is():
    examiner = examined()
    assert broken(examiner) == {}
    untried = {name for name, verdict in examiner.verdicts.items() if not verdict.tried}
    assert untried == {"R2", "R8", "R15", "R19", "R22"}


@pytest.mark.parametrize("wrong", BROKEN)
def test_each_broken_rule_is_named(wrong):
    found = broken(examined(wrong))
    assert BROKEN[wrong] in found, found


def test_evidence_names_what_was_expected_and_what_came():
    (evidence, *_) = broken(examined("does not knock"))["R17"]
    assert "alone until it is reported; got" in evidence
    assert f"start={T0_MS}" in evidence


def test_every_rule_named_here_exists():
    assert set(BROKEN.values()) <= set(rules.titles())
