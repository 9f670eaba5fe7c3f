"""One stream's samples find their metre: also long after, whatever the track has forgotten, wherever a call ends."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

from monitor.contract.record import Finding, FindingKind, Output, Rejected
from monitor.core.arrival import Message, Tick
from monitor.core.pipeline import Pipeline
from monitor.core.track import PAST_S
from tests.core.script import T0, Script, configuration, decoded
from tests.core.test_pipeline import closed, of, record

SPARK, TENSION = "spark-a/spark-fault", "pay-off-a/tension"
M_PER_MIN = 20.0
STEP_S = 2.5


def running(until_s: int) -> Script:
    """A line of which counter and speed report."""
    script, L_m = Script("lay-1"), 1000.0
    script.send("line/state", T0, state="running")
    script.send("take-up/drum", T0, drum="D-0001", recipe="laid-2x2g5")
    for s in range(0, until_s, round(2 * STEP_S)):
        step_m = STEP_S * M_PER_MIN / 60
        script.send_samples("metre-counter/length", T0 + s, [L_m, L_m + step_m], STEP_S)
        script.send_samples("metre-counter/speed", T0 + s, [M_PER_MIN, M_PER_MIN], STEP_S)
        L_m += 2 * step_m
    return script


def cut(messages: Sequence[Message | Tick], cuts: Sequence[int]) -> list[Output]:
    """What an engine gives out that is fed in parts."""
    engine, out = laying_up(), []
    for a, b in pairwise([0, *sorted(min(c, len(messages)) for c in cuts), len(messages)]):
        out += engine.feed(messages[a:b])
    return out


def laying_up() -> Pipeline:
    """An engine of a line where a tension that does not change is reported."""
    c = configuration()
    line = c.lines["lay-1"]
    stream = [s.model_copy(update={"stuck_after_s": 5.0}) if s.path == TENSION else s for s in line.stream]
    return Pipeline(line=line.model_copy(update={"stream": stream}), recipes=c.recipes_for("lay-1"))


def middle_m(finding: Finding) -> float:
    assert finding.end_m is not None
    return (finding.start_m + finding.end_m) / 2


@pytest.mark.parametrize("together", [1, 10**6])
def test_a_fault_that_is_reported_an_hour_late_lies_at_its_metre(together):
    """A3: it lay at the first metre that the track still knew, which depended on where calls ended."""
    script = running(4000)
    script.send(SPARK, T0 + 100, T0 + 3700, v=1)
    messages = decoded(script.sorted())
    out = cut(messages, range(together, len(messages), together))
    (fault,) = (f for f in of(Finding, out) if f.kind == FindingKind.FAULT)
    engine = laying_up()
    true_m = 1000 + 100 * M_PER_MIN / 60 + engine.line.counter_m - engine.flows[SPARK].where[0].start_m
    assert middle_m(fault) == pytest.approx(true_m, abs=1e-6)
    assert not of(Rejected, out)


def test_a_fault_whose_metre_is_not_known_any_more_is_rejected_in_words():
    script = running(round(PAST_S) + 800)
    script.send(SPARK, T0 + 100, T0 + PAST_S + 700, v=1)
    engine = laying_up()
    out = engine.feed(decoded(script.sorted()))
    assert not [f for f in of(Finding, out) if f.kind == FindingKind.FAULT]
    (rejected,) = of(Rejected, out)
    assert (rejected.kind, rejected.line, rejected.topic) == ("too late", "lay-1", f"*/lay-1/{SPARK}")
    assert rejected.why.startswith(
        f"{SPARK}: expected samples of the last 4 h, got 1 from 2025-11-24 16:01:40 UTC on, "
    )
    assert rejected.why.endswith(" s late: their metre is not known; mark the metres by hand")
    assert engine.now().extra["late"] == {SPARK: 1}


def test_a_late_fault_of_before_the_first_reading_is_rejected_too():
    script = running(200)
    script.send(SPARK, T0 - 30, T0 + 150, v=1)
    (rejected,) = of(Rejected, laying_up().feed(decoded(script.sorted())))
    assert f"{SPARK}: expected samples since the counter's first reading, got 1 from " in rejected.why


def without_events(outputs: list[str]) -> list[str]:
    return [output for output in outputs if not output.startswith("LineEvent(")]


@settings(max_examples=12, deadline=None, phases=[Phase.explicit, Phase.generate])
@example(late=[(750, 899.0), (589, 630.0725), (398, 77.013), (1073, 2.3e-16)], cuts=[367])
@given(
    st.lists(st.tuples(st.integers(0, 1500), st.floats(0, 900)), min_size=1, max_size=6),
    st.lists(st.integers(0, 400), max_size=20),
)
@example(late=[(0, 899.0), (915, 412.0)], cuts=[219])
def test_no_cut_shows_in_what_comes_late(late, cuts):
    """A3: a limit, faults and a silence, each reported late."""
    script, newest_s = running(1600), T0
    for s, delay_s in sorted(late):
        newest_s = max(newest_s, T0 + s + 20 + delay_s)  # a gateway keeps its order
        script.send(SPARK, T0 + s, newest_s, v=1)
        script.send(TENSION, T0 + s, newest_s, v=[50.0] * 20, dt=1000.0)
    messages = decoded(script.sorted())
    whole, parts = record(cut(messages, ())), record(cut(messages, cuts))
    # Which late alarm joins which event still depends on where a call ends; the alarms and findings do not.
    assert without_events(parts[0]) == without_events(whole[0])
    assert all(np.array_equal(c, whole[1][n], equal_nan=True) for n, c in parts[1].items())


@pytest.mark.parametrize("together", [1, 10**6])
@pytest.mark.parametrize("quantity", ["stuck", "missing"])
def test_a_silence_longer_than_the_track_remembers_keeps_its_place(together, quantity):
    """A3: its finding was moved to another metre when it ended."""
    script = running(1800)
    for s in range(0, 1800, 5):
        if quantity == "stuck" or not 60 <= s < 1700:
            changes = not 60 <= s < 1700
            script.send_samples(TENSION, T0 + s, 31.0 + changes * np.arange(5) / 1e3, 1.0)
    messages = decoded(script.sorted())
    out = cut(messages, range(together, len(messages), together))
    reported = [f for f in of(Finding, out) if f.stream == TENSION and f.check == quantity]
    begun = next(f for f in reported if f.start_s >= T0 + 55)
    ended = closed(out)[begun.key]
    assert ended.end_m is not None
    assert ended.start_m == begun.start_m
    engine = laying_up()
    true_m = 1000 + (begun.start_s - T0) * M_PER_MIN / 60 + engine.line.counter_m
    assert begun.start_m == pytest.approx(true_m - engine.flows[TENSION].where[0].end_m, abs=1e-6)
