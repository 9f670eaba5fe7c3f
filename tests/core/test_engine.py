"""The engine of several lines: each line comes out as it would alone, and one may be exchanged for another."""

import numpy as np

from monitor.contract.record import SILENCE_ALARM, AlarmChange, MetreRows
from monitor.core.engine import Engine
from tests.core.script import configuration, decoded, pipeline, through_snapshot
from tests.core.test_pipeline import core_line, of, record

LINES = ("core-1", "core-2")


def messages_of(line: str) -> list:
    script = core_line(40)
    script.arrivals = [type(a)(a.topic.replace("core-1", line), a.payload, a.received_s) for a in script.arrivals]
    return decoded(script.sorted())


def assert_same(some: list, others: list) -> None:
    (found, rows), (other_found, other_rows) = record(some), record(others)
    assert found == other_found
    assert rows.keys() == other_rows.keys()
    assert all(np.array_equal(column, other_rows[name], equal_nan=True) for name, column in rows.items())


def test_each_line_is_judged_as_if_it_were_alone():
    messages = {line: messages_of(line) for line in LINES}
    together = Engine.of(configuration(), LINES).feed(messages)
    for line in LINES:
        alone = pipeline(line).feed(messages[line])
        assert_same([o for o in together if o.line == line], alone)
        assert of(MetreRows, alone)


def test_a_line_goes_on_from_another_pipeline_while_the_rest_goes_on_as_it_was():
    messages = {line: messages_of(line) for line in LINES}
    whole, parts = Engine.of(configuration(), LINES), Engine.of(configuration(), LINES)
    want = whole.feed(messages)
    got = parts.feed({line: of_line[:300] for line, of_line in messages.items()})
    parts.pipelines["core-1"] = through_snapshot(parts.pipelines["core-1"])
    got += parts.feed({line: of_line[300:] for line, of_line in messages.items()})
    for line in LINES:
        assert_same([o for o in got if o.line == line], [o for o in want if o.line == line])


def test_a_line_that_is_silent_waits_for_one_tick():
    engine = Engine.of(configuration(), LINES)
    messages = messages_of("core-1")
    engine.feed({"core-1": messages})
    later_s = messages[-1].received_s + 1000.0
    assert engine.silent(messages[-1].received_s) == []
    assert engine.silent(later_s) == ["core-1"]
    assert [c.alarm for c in of(AlarmChange, engine.tick(later_s))] == [SILENCE_ALARM]
    assert engine.silent(later_s) == []
