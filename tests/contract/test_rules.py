"""The rules for publishers say what the program does: numbers, limits and topics in the text are those of the code."""

import re

import msgspec

from monitor.contract import messages, rules
from monitor.contract.config.works import WireLimits
from monitor.gateway import sender
from monitor.store.numbering import DEFERRED_MAX, HOLES_MAX, NUMBERINGS_MAX


def test_rules_are_numbered_from_1_without_a_hole():
    names = list(rules.titles())
    assert names == [f"R{i}" for i in range(1, len(names) + 1)]
    assert len(names) == 23


def test_every_rule_that_is_cited_exists():
    assert set(re.findall(r"\bR\d+\b", rules.document())) <= set(rules.titles())


def test_limits_of_the_text_are_those_of_the_configuration():
    limits, text = WireLimits(), rules.document()
    assert f"{limits.payload_bytes_max} bytes" in text
    assert f"{limits.block_samples_max} samples" in text
    assert (
        f"more than {limits.behind_max_s / 86400:.0f} days ago, or more than {limits.ahead_max_s:.0f} s in the" in text
    )
    assert f"sent more than {rules.WINDOW_MAX} messages" in text
    assert f"more than {rules.IN_FLIGHT_MAX} messages" in text
    assert f"the {NUMBERINGS_MAX} numberings of a stream" in text
    assert f"the {HOLES_MAX} newest holes" in text
    assert f"the {DEFERRED_MAX} newest runs of numbers that it refused for now" in text
    answered = f"{rules.UNKNOWN_LINES_MAX} names of lines at a time and {rules.UNKNOWN_LINE_ANSWERS_PER_S:.0f} messages"
    assert f"for at most {answered} a second" in text
    assert f"no report has come for {rules.REPORT_WITHIN_S:.0f} s" in text


def test_the_report_that_covers_nothing_is_the_one_of_the_text():
    text = rules.document()
    assert f"`{msgspec.json.encode(rules.EMPTY_REPORT).decode()}` on `{{works}}/{{line}}/stored/line/state`" in text
    assert rules.UNANSWERED_MAX == 5
    assert "sent five times, each time followed by a report" in text
    assert not any(rules.EMPTY_REPORT.covers(0, n) for n in range(5))


def test_the_simulator_keeps_within_them():
    assert sender.BATCH <= rules.IN_FLIGHT_MAX
    assert sender.WINDOW <= rules.WINDOW_MAX
    assert sender.AGAIN_S <= rules.REPORT_WITHIN_S


def test_the_example_is_of_the_schema():
    kinds = {"stored": messages.Stored, "refused": messages.Refused}
    lines = re.findall(r"^(->|<-) (\S+)\s+(\{.*\})$", rules.document(), re.MULTILINE)
    assert len(lines) == 6
    for _, topic, payload in lines:
        msgspec.json.decode(payload, type=kinds.get(topic.split("/")[2], messages.Samples))


def test_every_reason_for_a_refusal_is_listed_with_whether_it_is_final():
    rows = re.findall(r"^\| `([^`]+)` \| .+ \| (true|false) \|$", rules.document(), re.MULTILINE)
    assert {kind: final == "true" for kind, final in rows} == rules.REFUSALS
