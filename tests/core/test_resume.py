"""An engine that is set to what the record knows: the record's place of what is open, and all that checks wait for."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from monitor.contract.record import AlarmChange, Finding
from monitor.core.arrival import Message, Tick
from monitor.core.pipeline import Pipeline
from monitor.core.resume import EXACT_M, LastKnown, resume
from monitor.core.track import START_BEFORE_S
from tests.core.script import T0, Script, decoded, pipeline
from tests.core.test_pipeline import closed, core_line, of

OVEN = "oven-b/temperature"


def hot_from(begin_s: int, until_s: int = 10**9) -> Callable[[Script, int], None]:
    """Oven B is too hot for a while."""

    def before(script: Script, s: int) -> None:
        if begin_s <= s < until_s:
            at = next(i for i in range(len(script.arrivals) - 1, -1, -1) if OVEN in script.arrivals[i].topic)
            del script.arrivals[at]
            script.numbers[OVEN] -= 1
            script.send_samples(OVEN, T0 + s, [330.0 + 0.01 * s, 330.0], 0.5)

    return before


def known_of(engine: Pipeline, outputs: list, findings: list[Finding] | None = None) -> LastKnown:
    """What the record has of an engine that has given out `outputs`, its track beginning at the newest start."""
    newest = {change.alarm: change for change in of(AlarmChange, outputs)}
    return LastKnown(
        t_s=engine.track.end_s,
        line_metre=engine.track.now_m,
        track=engine.track.starts[-1],
        next_row=engine.rows.next_m,
        recipe=engine.recipe.recipe if engine.recipe else None,
        spans=list(engine.drums.spans),
        alarms=list(newest.values()),
        findings=[f for f in closed(outputs).values() if f.end_m is None] if findings is None else findings,
        orders={p: (f.order.start, f.order.next_n, f.order.newest_s) for p, f in engine.flows.items()},
    )


def rebuilt(messages: list[Message | Tick], known: LastKnown) -> Pipeline:
    """An engine of the messages since a minute before its track starts."""
    engine = pipeline()
    engine.track.start_at(known.track)
    engine.assume(decoded([a for a in core_line(1).arrivals if "drum" in a.topic])[0].body, known.track.t_s - 60.0)
    engine.states.report(known.track.t_s - 60.0, "running", "")
    engine.feed([m for m in messages if m.end_s >= known.track.t_s - 60.0])
    resume(engine, known)
    return engine


@pytest.mark.parametrize("step", [1, -1])
def test_what_began_before_the_track_keeps_the_place_on_record(step):
    """A3: with two passes, the finding of each; the first metre of the track was taken for the place of all before."""
    script = core_line(110, before=hot_from(45, 100)).sorted()
    messages = decoded(script)
    first = [m for m, a in zip(messages, script, strict=True) if a.received_s < T0 + 80]
    whole = pipeline()
    out = whole.feed(first)
    known = known_of(whole, out)
    assert known.track.t_s > T0 + 50
    open_ones = [f for f in known.findings if f.stream == OVEN]
    assert {f.text for f in open_ones} == {"pass 1", "pass 2"}
    engine = rebuilt(first, replace(known, findings=open_ones[::step]))
    mine, theirs = (p.flows[OVEN].window.limits["HI"].start for p in (engine, whole))
    assert mine.t_s == theirs.t_s
    assert mine.L_m == pytest.approx(theirs.L_m, abs=EXACT_M)
    rest = messages[len(first) :]
    ended, wanted = (
        {k: f for k, f in closed(p.feed(rest)).items() if f.stream == OVEN and f.end_m is not None}
        for p in (engine, whole)
    )
    assert ended.keys() == wanted.keys()
    assert [f.start_m for f in ended.values()] == pytest.approx([f.start_m for f in wanted.values()], abs=EXACT_M)


def test_where_the_engine_has_the_same_place_its_bits_are_kept():
    """A record may be rounded in the last bit: the end of a stretch would be another finding."""
    script = core_line(100, before=hot_from(70)).sorted()
    whole = pipeline()
    out = whole.feed(decoded(script))
    known = known_of(whole, out)
    nearly = [replace(f, start_m=float(np.nextafter(f.start_m, np.inf))) for f in known.findings]
    before = whole.flows[OVEN].window.limits["HI"].start
    resume(whole, replace(known, findings=nearly))
    assert whole.flows[OVEN].window.limits["HI"].start == before


def test_the_track_on_record_starts_before_all_that_checks_wait_for():
    """A3: a limit with a long delay, or an instrument not yet reported, began before the messages that were fed."""
    script, L_m = Script(), 1000.0
    script.send("take-up/drum", T0, drum="C1-0001", recipe="core-2g5")
    for s in range(0, 1200, 5):
        script.send_samples("metre-counter/length", T0 + s, L_m + np.arange(5) * 230 / 60, 1.0)
        script.send_samples("metre-counter/speed", T0 + s, [230.0] * 5, 1.0)
        L_m += 5 * 230 / 60
    engine = pipeline()
    longest_s = max(s.stuck_after_s or 0.0 for s in engine.line.stream)
    assert longest_s > 60.0
    for message in decoded(script.sorted()):
        engine.feed([message])
    entered_s = float(engine.track.when(np.array([engine.rows.needed_from_L_m]))[0])
    (begin, *later) = engine.track.starts
    assert begin.t_s <= entered_s - START_BEFORE_S - longest_s
    assert later
    assert later[0].t_s > entered_s - START_BEFORE_S - longest_s  # and none is kept for nothing
