"""The conformance test finds each rule broken by name, and nothing wrong with a publisher that keeps them all."""

import itertools
import json
from functools import cache

import pytest

from monitor.contract import rules
from monitor.gateway.conformance.coverage import BY_OWN_BROKER, BY_SITE_BROKER, NotTried
from monitor.gateway.conformance.examiner import TRIAL, TRIAL_AS_CLIENT, Do, Examiner, Phase, Report
from monitor.gateway.conformance.trial import sheet
from tests.core.script import configuration
from tests.shell.publishers import STEP_S, T0_MS, Publisher

UNIT_S = 2.0
Trial = tuple[Phase, ...]
BROKEN = {
    "connects once": "R1",
    "listens to everything": "R2",
    "QoS 0": "R3",
    "retains": "R3",
    "ignores refusals": "R4",
    "shouts topics": "R5",
    "sends NaN": "R6",
    "sends too much": "R7",
    "sends long blocks": "R8",
    "leaves numbers out": "R9",
    "counts from 0 again": "R9",
    "begins at 7": "R10",
    "starts in microseconds": "R10",
    "changes what it sends again": "R11",
    "stamps go back": "R12",
    "stamps in seconds": "R13",
    "trusts the broker": "R14",
    "sleeps while away": "R15",
    "newest first": "R16",
    "stream by stream": "R16",
    "does not knock": "R17",
    "goes on in silence": "R17",
    "ends a knock with any report": "R17",
    "sends without a limit": "R18",
    "sends nothing again": "R19",
    "takes stored for up to n": "R20",
    "stops over an unknown field": "R20",
    "keeps what is refused": "R21",
    "waits for what is refused for now": "R21",
    "changes the recipe of a drum": "R23",
}
# What a client of the broker sees no difference in: connections, what is subscribed, what is lost on the way.
NOT_AS_CLIENT = {
    "connects once", "listens to everything", "ignores refusals", "trusts the broker", "sleeps while away",
    "does not knock", "sends without a limit",
}  # fmt: skip


@cache
def examined(wrong: str = "", trial: Trial = TRIAL) -> Examiner:
    """The whole trial of a publisher, in no time."""
    c = configuration()
    publisher = Publisher(wrong)
    examiner = Examiner(
        works="tarn",
        line=c.lines["core-1"],
        limits=c.works.wire,
        unit_s=UNIT_S,
        trial=trial,
        sees_connections=trial is TRIAL,
    )
    alive, held, away_s = True, False, 0.0
    for i in range(100_000):
        now_s = T0_MS / 1e3 + i * STEP_S
        if wrong == "begins long before" and i < 120:
            publisher.step(i, now_s)
            continue
        if alive and not publisher.connected and now_s >= away_s:
            publisher.connect(now_s)
            if publisher.connected and examiner.sees_connections:
                examiner.connected(now_s)
                for topics in publisher.subscriptions:
                    examiner.subscribed(topics)
        publisher.in_flight = publisher.in_flight if held else 0
        publisher.step(i, now_s)
        while publisher.out:
            examiner.published(*publisher.out.popleft(), now_s)
        if examiner.sees_connections:
            examiner.in_flight(publisher.in_flight, 65535)
        for order in examiner.tick(now_s):
            if order is Do.END:
                return examiner
            if order in (Do.HOLD, Do.RELEASE):
                held = order is Do.HOLD
            if order in (Do.CUT, Do.KILL):
                publisher.connected, away_s = False, now_s + 0.5
            alive = (alive or order is Do.START) and order is not Do.KILL
            if isinstance(order, Report) and publisher.connected:
                publisher.receive(order.topic, order.payload)
    raise AssertionError("the trial does not end")


def broken(examiner: Examiner) -> dict[str, list[str]]:
    return {name: verdict.broken for name, verdict in examiner.verdicts.items() if verdict.broken}


@pytest.mark.parametrize(("trial", "not_tried"), [(TRIAL, BY_OWN_BROKER), (TRIAL_AS_CLIENT, BY_SITE_BROKER)])
def test_a_publisher_by_the_rules_breaks_none_and_each_is_tried_or_has_a_reason(trial: Trial, not_tried: NotTried):
    examiner = examined(trial=trial)
    assert broken(examiner) == {}
    untried = {name for name, verdict in examiner.verdicts.items() if not verdict.tried}
    assert untried - {"R22"} == set(not_tried.never) - {"R22"}  # R22 is tried without a publisher
    assert set(not_tried.never) | set(not_tried.partly) <= set(rules.titles())
    assert not set(not_tried.never) & set(not_tried.partly)


def test_every_rule_that_is_tried_has_a_publisher_that_breaks_it():
    tried = {name for name, verdict in examined().verdicts.items() if verdict.tried}
    assert set(BROKEN.values()) == tried


@pytest.mark.parametrize("wrong", BROKEN)
def test_each_broken_rule_is_named_and_no_other(wrong):
    assert set(broken(examined(wrong))) == {BROKEN[wrong]}


@pytest.mark.parametrize("wrong", sorted(set(BROKEN) - NOT_AS_CLIENT))
def test_a_client_of_the_broker_names_it_too(wrong):
    assert set(broken(examined(wrong, TRIAL_AS_CLIENT))) == {BROKEN[wrong]}


@pytest.mark.parametrize("wrong", sorted(NOT_AS_CLIENT))
def test_a_client_blames_nothing_that_it_cannot_see(wrong):
    assert set(broken(examined(wrong, TRIAL_AS_CLIENT))) <= {BROKEN[wrong]}


def test_what_a_publisher_had_to_keep_before_its_first_connection_is_not_late():
    """R8: the drum change of its start came 12 s later where brokers with a wrong certificate were tried before."""
    assert broken(examined("begins long before")) == {}


def test_an_event_that_is_held_back_is_seen():
    """It is late for its metres, too."""
    assert set(broken(examined("waits with events"))) == {"R8", "R16"}


def test_evidence_names_what_was_expected_and_what_came():
    (evidence, *_) = broken(examined("does not knock"))["R17"]
    assert "alone until it is reported; got" in evidence
    assert f"start={T0_MS}" in evidence


def test_more_than_a_window_that_nobody_reports_is_seen_r18():
    c = configuration()
    examiner = Examiner(works="tarn", line=c.lines["core-1"], limits=c.works.wire, unit_s=UNIT_S)
    for topics in ("tarn/core-1/stored/+/+", "tarn/core-1/refused/+/+"):
        examiner.subscribed(topics)
    for n in range(rules.WINDOW_MAX + 1):
        assert broken(examiner) == {}
        t_ms = T0_MS + n
        payload = b'{"start":%d,"n":%d,"t":%d,"v":200.0}' % (T0_MS, n, t_ms)
        examiner.published("tarn/core-1/oven-a/temperature", payload, 1, False, t_ms / 1e3)
    assert broken(examiner) == {"R18": [f"more than {rules.WINDOW_MAX} messages sent and not reported"]}


def test_a_line_that_is_not_configured_is_named_and_refused_for_now_r5():
    c = configuration()
    examiner = Examiner(
        works="tarn", line=c.lines["core-1"], limits=c.works.wire, unit_s=UNIT_S, configured=frozenset(c.lines)
    )
    payload = b'{"start":7,"n":3,"t":%d,"v":200.0}' % T0_MS
    examiner.published("tarn/core-9/oven-a/temperature", payload, 1, False, T0_MS / 1e3)
    examiner.published("tarn/core-2/oven-a/temperature", payload, 1, False, T0_MS / 1e3)  # it carries that line too
    [evidence] = broken(examiner)["R5"]
    assert "no line of the name core-9 in the configuration" in evidence
    assert examiner.messages == 1  # the trial begins, and ends with the sheet
    reports = [o for i in range(3) for o in examiner.tick(T0_MS / 1e3 + i) if isinstance(o, Report)]
    [refused] = [json.loads(r.payload) for r in reports if r.topic == "tarn/core-9/refused/oven-a/temperature"]
    assert (refused["start"], refused["n"], refused["final"]) == (7, 3, False)
    examiner.published("tarn/core-9/oven-a/temperature", b"no number", 1, False, T0_MS / 1e3 + 3)
    answers = [o for i in range(3, 6) for o in examiner.tick(T0_MS / 1e3 + i) if isinstance(o, Report)]
    assert Report("tarn/core-9/stored/line/state", b'{"n":0,"from":1}') in answers


@pytest.mark.parametrize("trial", [TRIAL, TRIAL_AS_CLIENT])
def test_the_sheet_has_every_rule_with_its_verdict_and_the_reason_where_it_is_not_tried(trial: Trial):
    lines = sheet(examined(trial=trial)).splitlines()
    found = {line.split()[0]: line.split()[-1] for line in lines if line.startswith("R")}
    assert list(found) == list(rules.titles())
    assert set(found.values()) == {"kept", "tried"}
    for line, after in itertools.pairwise(lines):
        assert not line.endswith("not tried") or after.strip().startswith("not tried: ")


def test_the_sheet_shows_evidence_of_what_is_broken():
    lines = sheet(examined("does not knock")).splitlines()
    (at,) = [i for i, line in enumerate(lines) if line.endswith("BROKEN")]
    assert lines[at].startswith("R17")
    assert "alone until it is reported; got" in lines[at + 1]
