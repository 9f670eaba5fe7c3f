"""When messages arose and came (R8, R15): judged against the quickest one, whatever the publisher's clock shows."""

import numpy as np
import pytest

from monitor.contract import rules
from monitor.contract.messages import StateChange
from monitor.contract.topics import Stream
from monitor.core.arrival import Block, Message
from monitor.gateway.conformance.timing import AT_ONCE_S, Timing

CLOCKS_S = [0.0, -3600.0, 7200.0]  # what a publisher's clock may be off by


def block(t_s: float, span_s: float, off_s: float) -> Message:
    times = np.array([t_s + off_s, t_s + off_s + span_s])
    body = Block(times, np.array([1.5, 1.5]))
    return Message(
        stream=Stream("core-1", "oven-a", "temperature"), n=1, t_s=times[0], end_s=times[-1], received_s=0.0, body=body
    )


def change(t_s: float, off_s: float) -> Message:
    body = StateChange(n=1, t=0, state="running")
    return Message(
        stream=Stream("core-1", "line", "state"), n=1, t_s=t_s + off_s, end_s=t_s + off_s, received_s=0.0, body=body
    )


def verdicts(timing: Timing, rule: str) -> list[bool]:
    return [kept for name, kept, _ in timing.judged() if name == rule]


@pytest.mark.parametrize("off_s", CLOCKS_S)
@pytest.mark.parametrize(("span_s", "kept"), [(rules.BLOCK_MAX_S, True), (rules.BLOCK_MAX_S + 0.5, False)])
def test_a_block_that_is_too_long_is_named(off_s, span_s, kept):
    timing = Timing()
    timing.add(block(10.0, span_s, off_s), 10.0 + span_s)
    assert verdicts(timing, "R8") == [kept]


@pytest.mark.parametrize("off_s", CLOCKS_S)
@pytest.mark.parametrize(("late_s", "kept"), [(AT_ONCE_S - 0.5, True), (AT_ONCE_S + 0.5, False)])
def test_news_that_is_held_back_is_named(off_s, late_s, kept):
    timing = Timing()
    timing.calm_since_s = 0.0
    timing.add(block(10.0, 0.5, off_s), 10.6)
    timing.add(change(20.0, off_s), 20.1 + late_s)
    assert verdicts(timing, "R8") == [True, kept]


@pytest.mark.parametrize(("samples_while_away", "kept"), [(0, False), (5, True)])
def test_sampling_goes_on_while_the_broker_is_away(samples_while_away, kept):
    timing = Timing()
    for t in range(20):
        timing.add(block(float(t), 0.5, 0.0), t + 0.6)
    timing.away(20.0)
    timing.back(30.0)
    for t in range(samples_while_away):
        timing.add(block(21.0 + t, 0.5, 0.0), 30.5)
    for t in range(30, 40):
        timing.add(block(t + 0.7, 0.5, 0.0), t + 1.3)
    assert verdicts(timing, "R15") == [kept]


def test_too_little_to_tell_is_no_evidence():
    assert Timing().judged() == []
    timing = Timing()
    timing.add(block(0.0, 0.5, 0.0), 0.6)
    timing.away(1.0)
    timing.back(2.0)
    assert verdicts(timing, "R15") == []
