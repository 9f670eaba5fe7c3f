"""The engine as a whole: what a script becomes, and the law that no cut of the arrivals shows in the record."""

import itertools
import json
from collections.abc import Callable, Container, Iterable, Sequence
from functools import cache
from typing import Any, TypeVar

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.contract.record import (
    SILENCE_ALARM,
    AlarmChange,
    CounterFault,
    DrumSpan,
    Finding,
    Gap,
    MetreRows,
    Output,
    Proposal,
    Revision,
    StateSpan,
)
from monitor.core.arrival import Message, Tick
from monitor.core.counter_alarm import COUNTER_ALARM
from monitor.core.pipeline import Pipeline
from tests.core.script import T0, Script, decoded, pipeline, through_snapshot

T = TypeVar("T")

GAUGES = ("hot-gauge/diameter", "cold-gauge/diameter-x", "cold-gauge/diameter-y")


def core_line(
    seconds: int,
    speed: Callable[[float], float] = lambda _: 230.0,
    seed: int = 1,
    before: Callable[[Script, int], object] = lambda _script, _s: None,
    quiet: Container[str] = (),
    reading: Callable[[float, float], float] = lambda L, _: L,
) -> Script:
    """A line that runs; `before` may add to each second, `quiet` streams say nothing."""
    rng = np.random.default_rng(seed)
    script, L = Script(), 1000.0
    script.send("line/state", T0, state="running")
    script.send("take-up/drum", T0, drum="C1-0001", recipe="core-2g5", planned_length_m=2000)
    for s in range(seconds):
        t = T0 + s
        v = np.array([speed(s + i / 10) for i in range(11)]) / 60
        steps = np.concatenate(([0], np.cumsum(0.5 * (v[1:] + v[:-1]) * 0.1)))
        sampled: dict[str, tuple[Any, float]] = {
            "metre-counter/length": ([reading(L + x, t + 0.1 * i) for i, x in enumerate(steps[:10])], 0.1),
            "metre-counter/speed": (v[:10] * 60, 0.1),
            "shock-oven/temperature": (540 + rng.normal(0, 0.3, 2), 0.5),
            "oven-a/temperature": (290 + rng.normal(0, 0.3, 2), 0.5),
            "oven-b/temperature": (305 + rng.normal(0, 0.3, 2), 0.5),
            "cooling-trough/temperature": (25 + rng.normal(0, 0.1, 1), 1.0),
            "spark-electrode/voltage": (6 + rng.normal(0, 0.02, 2), 0.5),
            "head/pressure": (150 + rng.normal(0, 1, 1), 1.0),
            "head/screw-speed": (30 + rng.normal(0, 0.1, 1), 1.0),
            "dancer/position": (50 + rng.normal(0, 1, 10), 0.1),
            "take-up/tension": (80 + rng.normal(0, 1, 1), 1.0),
        }
        sampled |= {g: (3.58 + rng.normal(0, 0.006, 50), 0.02) for g in GAUGES}
        for path, (values, dt) in sampled.items():
            if path not in quiet:
                script.send_samples(path, t, values, dt)
        before(script, s)
        L += steps[10]
    return script


def record(outputs: Sequence[Output]) -> tuple[list[str], dict[str, np.ndarray]]:
    """A record in one form: everything but rows as sorted text, rows as whole columns."""
    rows = sorted((o for o in outputs if isinstance(o, MetreRows)), key=lambda r: r.first_m)
    for a, b in itertools.pairwise(rows):
        assert a.first_m + len(a) == b.first_m
    columns = {name: np.concatenate([r.columns[name] for r in rows]) for name in (rows[0].columns if rows else ())}
    columns["verdict"] = np.concatenate([r.verdict for r in rows]) if rows else np.empty(0)
    columns["first"] = np.array([rows[0].first_m if rows else 0])
    return sorted(repr(o) for o in outputs if not isinstance(o, MetreRows)), columns


def of(kind: type[T], outputs: Iterable[object]) -> list[T]:
    return [o for o in outputs if isinstance(o, kind)]


def closed(outputs: Iterable[object]) -> dict[str, Finding]:
    """Findings by key, each as it was last told."""
    return {f.key: f for f in of(Finding, outputs)}


def raised(outputs: Iterable[object]) -> list[str]:
    return [c.alarm for c in of(AlarmChange, outputs) if c.event == "raised"]


# ---- the law -----------------------------------------------------------------------------------------------------


@cache
def unkind_script() -> tuple[Message | Tick, ...]:
    """Two minutes in which nearly everything happens, over a wire that shuffles, repeats and loses."""

    def speed(s: float) -> float:
        if 40 <= s < 52:
            return max(0.0, 230 - (s - 40) * 60)
        if 52 <= s < 70:
            return min(230.0, (s - 52) * 20)
        return 230.0

    def before(script: Script, s: int) -> None:
        t = T0 + s
        if s in (20, 21, 60, 90):
            script.send_samples("spark-electrode/spark-fault", t + 0.3, 1)
        if s == 41:
            script.send("line/state", t, state="ramping", reason="strip broke")
        if s == 71:
            script.send("line/state", t, state="running")
        if s == 33:
            script.send_samples("cold-gauge/diameter-x", t + 0.985, [3.9] * 3, 0.005)
        if s == 80:
            script.send("take-up/drum", t + 0.25, drum="C1-0002", recipe="core-2g5")
        if s == 95:
            script.send("take-up/drum", t + 0.25, drum="C1-0003", recipe="core-1g5")
        if s == 45:
            script.send(
                "operator/limits", t, step="propose", proposal="P1", recipe="core-2g5", by="Mira", reason="too tight",
                changes={"window/oven-b/temperature/hi": 306.0, "cure/index_warn": 1.3},
            )  # fmt: skip
        if s == 55:
            script.send("operator/limits", t, step="approve", proposal="P1", recipe="core-2g5", by="Olle")
        if s == 76:
            script.send("operator/limits", t, step="go back", recipe="core-2g5", by="Olle", to=1)
        if s == 24:
            script.send(
                "operator/action", t, action="acknowledge", by="Mira", alarm="spark-electrode/spark-fault/spark-fault"
            )
        if s == 88:
            script.send("operator/action", t, action="note work", by="Olle", reason="wheel turned", station="capstan")
        if s == 100:
            script.send(
                "operator/action", t, action="mark metres", by="Mira", reason="scrape", start_m=1010.0, end_m=1012.0
            )

    def reading(L: float, t: float) -> float:
        return L - 1200 if t > T0 + 75 else L

    script = core_line(120, speed, before=before, reading=reading)
    rng = np.random.default_rng(5)
    arrivals = []
    for a in script.arrivals:
        if "diameter-y" in a.topic and 25 <= a.received_s - T0 < 31:
            continue
        if rng.random() < 0.01 and "counter" not in a.topic:
            continue
        late = rng.exponential(0.15) + (rng.uniform(1, 6) if rng.random() < 0.02 else 0)
        arrivals += [msgspec.structs.replace(a, received_s=a.received_s + late)] * (1 + (rng.random() < 0.03))
    arrivals.sort(key=lambda a: a.received_s)
    messages: list[Message | Tick] = list(decoded(arrivals))
    for i in range(len(messages) - 1, 0, -97):
        messages.insert(i, Tick(messages[i].received_s))
    return tuple(messages)


@cache
def fed_at_once() -> tuple[list[str], dict[str, np.ndarray]]:
    return record(pipeline().feed(unkind_script()))


@settings(max_examples=12, deadline=None)
@given(st.lists(st.integers(0, 2400), max_size=40))
def test_no_cut_of_the_arrivals_shows_in_the_record(cuts):
    messages = unkind_script()
    engine, out = pipeline(), []
    edges = [0, *sorted(min(c, len(messages)) for c in cuts), len(messages)]
    for a, b in itertools.pairwise(edges):
        out += engine.feed(messages[a:b])
    sampled, rows = record(out)
    assert sampled == fed_at_once()[0]
    assert rows.keys() == fed_at_once()[1].keys()
    for name, column in rows.items():
        assert np.array_equal(column, fed_at_once()[1][name], equal_nan=True), name


def long_blocks(block_s: int, seed: int) -> list:
    """Blocks longer than a stream may be silent, in any order at the same moment; an instrument that falls silent."""
    rng, script, L = np.random.default_rng(seed), Script("lay-1"), 2000.0
    script.send("line/state", T0, state="running")
    for name, at_s, late_s in (("L1-0001", 0.0, 0.0), ("L1-0002", 100.0, 0.0), ("L1-0003", 130.5, 8.5)):
        script.send("take-up/drum", T0 + at_s, T0 + at_s + late_s, drum=name, recipe="laid-2x2g5")
    for begin in range(0, 200, block_s):
        L += 50.0 / 60.0 * block_s
        script.send_samples(
            "metre-counter/length", T0 + begin, L + 50.0 / 60.0 * np.arange(-block_s, 0, dtype=np.float64), 1.0
        )
        values = {"metre-counter/speed": 50.0, "bow/speed": 312.5, "tape-head/speed": 2484.0, "spark-a/voltage": 6.1}
        for path, value in values.items():
            script.send_samples(path, T0 + begin, np.full(block_s, value), 1.0)
    for s in range(0, 200, 5):
        for path in ("pay-off-b/tension", "take-up/tension"):
            script.send_samples(path, T0 + s, 31 + rng.normal())
        if not 40 <= s < 90 or rng.random() < 0.3:
            script.send_samples("pay-off-a/tension", T0 + s, 31 + rng.normal())
    return decoded(sorted(script.arrivals, key=lambda a: (a.received_s, rng.random())))


@settings(max_examples=10, deadline=None)
@given(st.sampled_from([5, 10, 30]), st.integers(0, 1000), st.booleans(), st.lists(st.integers(0, 300), max_size=40))
def test_no_cut_of_long_blocks_shows_in_the_record(block_s, seed, each, cuts):
    """With counter and speed in blocks of 10 s, what was reported missing depended on where a call ended."""
    messages = long_blocks(block_s, seed)
    edges = range(len(messages) + 1) if each else [0, *sorted(min(c, len(messages)) for c in cuts), len(messages)]
    engine, out = pipeline("lay-1"), []
    for a, b in itertools.pairwise(edges):
        out += engine.feed(messages[a:b])
    found, wanted = record(out), record(pipeline("lay-1").feed(messages))
    assert found[0] == wanted[0]
    assert all(np.array_equal(c, wanted[1][n], equal_nan=True) for n, c in found[1].items())


def test_one_message_at_a_time_and_through_snapshots_gives_the_same_record():
    engine, out = pipeline(), []
    for i, message in enumerate(unkind_script()):
        out += engine.feed([message])
        if i % 500 == 250:
            engine = through_snapshot(engine)
    sampled, rows = record(out)
    assert sampled == fed_at_once()[0]
    assert all(np.array_equal(c, fed_at_once()[1][n], equal_nan=True) for n, c in rows.items())


def test_the_unkind_script_holds_what_it_should():
    """The law above is worth as much as its script: each kind of thing must be in it."""
    out = pipeline().feed(unkind_script())
    kinds = {Finding, AlarmChange, DrumSpan, MetreRows, Gap, CounterFault, StateSpan, Proposal, Revision}
    assert {type(o) for o in out} >= kinds
    assert {f.kind for f in of(Finding, out)} == {"window", "fault", "dwell", "missing", "mark", "work", "cure"}
    assert {c.event for c in of(AlarmChange, out)} >= {"raised", "returned", "acknowledge"}


# ---- what a script becomes -------------------------------------------------------------------------------------------


@cache
def clean() -> tuple[Output, ...]:
    return tuple(pipeline().feed(decoded(core_line(240).sorted())))


def test_a_clean_run_cries_about_nothing_and_every_metre_that_was_seen_conforms():
    assert raised(clean()) == []
    assert closed(clean()) == {}
    _, rows = record(list(clean()))
    seen = rows["verdict"][122:]
    assert len(seen) > 600
    assert not seen.any()


def test_metres_that_were_in_the_line_before_anyone_looked_are_unverified():
    _, rows = record(list(clean()))
    assert (rows["verdict"][:80] == 2).all()


def test_a_spark_fault_lies_at_its_metre_on_its_drum():
    def before(script: Script, s: int) -> None:
        if s == 60:
            script.send_samples("spark-electrode/spark-fault", T0 + 60.0, 1)

    out = pipeline().feed(decoded(core_line(120, before=before).sorted()))
    (finding,) = closed(out).values()
    true_m = 1000 + 60 * 230 / 60 + 114 - 115.25
    assert (finding.start_m + finding.end_m) / 2 == pytest.approx(true_m, abs=0.01)
    assert finding.end_m - finding.start_m == pytest.approx(1.0)


def test_a_drum_begins_with_the_cable_at_the_take_up():
    (drum,) = of(DrumSpan, clean())
    assert drum.start_m == pytest.approx(1000 + 114 - 122)


def test_a_stop_does_not_cry_but_the_metres_that_stood_are_reported_by_their_dwell():
    def speed(s: float) -> float:
        return 0.0 if 60 <= s < 100 else 230.0

    def before(script: Script, s: int) -> None:
        if s == 59:
            script.send("line/state", T0 + 59.9, state="stopped", reason="drum change")
        if s == 100:
            script.send("line/state", T0 + 100, state="running")

    out = pipeline().feed(decoded(core_line(180, speed, before=before).sorted()))
    dwells = {"shock-oven/dwell/long", "oven-a/dwell/long", "oven-b/dwell/long"}
    assert {a for a in raised(out) if not a.startswith("cure/")} == dwells
    shock = next(f for f in closed(out).values() if f.stream == "shock-oven/dwell")
    stood_at = 1000 + 60 * 230 / 60 + 114
    assert shock.start_m == pytest.approx(stood_at - 8, abs=1.0)
    assert shock.end_m == pytest.approx(stood_at - 2, abs=2.0)
    assert shock.extreme == pytest.approx(40 + 6 / (230 / 60), abs=0.3)


def test_an_oven_out_of_its_window_touches_what_was_inside_on_both_passes():
    def before(script: Script, s: int) -> None:
        if 60 <= s < 80:
            script.numbers["oven-b/temperature"] -= 1
            script.arrivals.pop(
                next(i for i in range(len(script.arrivals) - 1, -1, -1) if "oven-b" in script.arrivals[i].topic)
            )
            script.send_samples("oven-b/temperature", T0 + s, [290.0, 290.0], 0.5)

    out = pipeline().feed(decoded(core_line(180, before=before).sorted()))
    low = {f.text: f for f in closed(out).values() if f.check == "LO"}
    assert set(low) == {"pass 1", "pass 2"}
    at = lambda s: 1000 + s * 230 / 60 + 114  # noqa: E731
    assert (low["pass 1"].start_m, low["pass 1"].end_m) == (pytest.approx(at(60) - 40), pytest.approx(at(80) - 26))
    assert (low["pass 2"].start_m, low["pass 2"].end_m) == (pytest.approx(at(60) - 64), pytest.approx(at(80) - 50))
    assert raised(out) == ["oven-b/temperature/LO"]


def test_a_gauge_that_says_nothing_is_missing_and_its_metres_are_unverified():
    script = core_line(180)
    script.arrivals = [
        a for a in script.arrivals if not ("cold-gauge/diameter-x" in a.topic and 90 <= a.received_s - T0 < 110)
    ]
    out = pipeline().feed(decoded(script.sorted()))
    assert "cold-gauge/diameter-x/missing" in raised(out)
    _, rows = record(out)
    unverified = np.flatnonzero(rows["verdict"][122:] == 2) + 122 + int(rows["first"][0])
    start, end = 1000 + 90 * 230 / 60 + 4, 1000 + 110 * 230 / 60 + 4
    assert unverified[0] == pytest.approx(start, abs=2.5)
    assert unverified[-1] == pytest.approx(end, abs=2.5)
    assert len(of(Gap, out)) == 1


def test_a_drum_of_an_unknown_recipe_is_judged_by_none_and_its_metres_are_unverified():
    script = core_line(120)
    script.arrivals = [a for a in script.arrivals if "drum" not in a.topic]
    script.send("take-up/drum", T0, drum="X", recipe="no-such")
    out = pipeline().feed(decoded(script.sorted()))
    assert [o.kind for o in out if type(o).__name__ == "Rejected"] == ["unknown recipe"]
    _, rows = record(out)
    assert (rows["verdict"] == 2).all()


def test_a_counter_reset_is_bridged_told_and_moves_no_metre():
    def before(script: Script, s: int) -> None:
        if s == 100:
            script.send_samples("spark-electrode/spark-fault", T0 + 100.0, 1)

    out = pipeline().feed(
        decoded(core_line(160, before=before, reading=lambda L, t: L - 1191.5 if t > T0 + 50 else L).sorted())
    )
    assert [f.kind for f in of(CounterFault, out)] == ["reset"]
    assert COUNTER_ALARM in raised(out)
    spark = next(f for f in closed(out).values() if f.kind == "fault")
    assert (spark.start_m + spark.end_m) / 2 == pytest.approx(1000 + 100 * 230 / 60 - 1.25, abs=0.05)


def test_a_line_that_falls_silent_is_one_alarm_by_the_wall_clock_and_loses_no_metre_when_its_gateway_kept_all():
    messages = decoded(core_line(90).sorted())
    engine, at = pipeline(), next(i for i, m in enumerate(messages) if m.t_s > T0 + 40)
    out = engine.feed(messages[:at])
    for i in range(60):
        out += engine.feed([Tick(T0 + 42 + i)])
    assert raised(out) == [SILENCE_ALARM]
    kept = [msgspec.structs.replace(m, received_s=T0 + 103.0) for m in messages[at:]]
    out += engine.feed(kept)
    changes = [(c.alarm, c.event) for c in of(AlarmChange, out)]
    assert changes == [(SILENCE_ALARM, "raised"), (SILENCE_ALARM, "returned")]
    undisturbed = record(pipeline().feed(messages))[1]
    assert all(np.array_equal(c, undisturbed[n], equal_nan=True) for n, c in record(out)[1].items())


def test_a_line_that_moved_on_while_no_one_listened_goes_on_at_its_counter():
    script = core_line(120)
    script.arrivals = [a for a in script.arrivals if not 40 <= a.received_s - T0 < 80]
    engine = pipeline()
    out = engine.feed(decoded(script.sorted()))
    assert of(CounterFault, out) == []
    assert engine.track.now_m == pytest.approx(1000 + 119.9 * 230 / 60, abs=0.5)


def test_an_answer_is_taken_and_kept_with_its_name():
    def before(script: Script, s: int) -> None:
        if s == 60:
            script.send_samples("spark-electrode/spark-fault", T0 + 60.0, 1)
        if s == 64:
            script.send(
                "operator/action", T0 + 64, action="acknowledge", by="Mira", reason="marked",
                alarm="spark-electrode/spark-fault/spark-fault", occurrence=round((T0 + 60) * 1e3),
            )  # fmt: skip

    changes = of(AlarmChange, pipeline().feed(decoded(core_line(90, before=before).sorted())))
    assert [(c.event, c.after.value, c.by) for c in changes] == [
        ("raised", "unacknowledged", ""),
        ("acknowledge", "acknowledged", "Mira"),
        ("returned", "normal", ""),
    ]
    assert {c.recipe for c in changes} == {"core-2g5"}


def test_an_engine_without_messages_puts_out_nothing():
    engine = Pipeline(line=pipeline().line, recipes=pipeline().recipes)
    assert engine.feed([]) == []
    assert engine.feed([Tick(T0)]) == []
    assert engine.now().state == "stopped"


# ---- cable that passed an instrument while no recipe was in force (A16) ----------------------------------------------


def drums(*changes: tuple[int, str | None, str], seconds: int = 120) -> list[Output]:
    """A line that runs on while drums (second, name, recipe) are put on and taken off."""

    def before(script: Script, s: int) -> None:
        for at, name, recipe in changes:
            if s == at:
                script.send("take-up/drum", T0 + s, drum=name, recipe=recipe)
        if s == 74:
            script.send_samples("spark-electrode/spark-fault", T0 + s + 0.3, 1)

    script = core_line(seconds, before=before)
    script.arrivals.remove(next(a for a in script.arrivals if a.topic.endswith("take-up/drum")))
    for i, a in enumerate(script.arrivals):  # renumbered, since the first one was taken out
        if a.topic.endswith("take-up/drum"):
            body = json.loads(a.payload)
            script.arrivals[i] = msgspec.structs.replace(a, payload=json.dumps(body | {"n": body["n"] - 1}).encode())
    return pipeline().feed(decoded(script.sorted()))


def unverified_on(out: list[Output], drum: str) -> np.ndarray:
    """Drum metres of the rows of a drum that are unverified, its first and last row left out."""
    _, rows = record(out)
    span = [d for d in of(DrumSpan, out) if d.drum == drum][-1]
    metre = np.arange(len(rows["verdict"])) + rows["first"][0]
    inside = (metre > span.start_m) & (metre + 1 < (np.inf if span.end_m is None else span.end_m))
    return metre[inside & (rows["verdict"] == 2)] - span.start_m


def first_required_m() -> float:
    line = pipeline().line
    zones = {z.temperature: z.start_m for z in line.zone if z.temperature}
    placed = [s for s in line.stream if s.required and s.path != line.counter.stream]
    return min(zones.get(s.path, line.stations[s.station].middle_m) for s in placed)


def test_cable_that_passed_before_any_recipe_was_in_force_is_unverified():
    """A16. It was measured, and judged by nothing."""
    out = drums((45, "C1-0001", "core-2g5"))
    unverified = unverified_on(out, "C1-0001")
    reach_m = pipeline().line.take_up_m - first_required_m()
    assert len(unverified) == pytest.approx(reach_m, abs=2)
    assert unverified.max() == pytest.approx(reach_m, abs=2)


def test_with_no_drum_on_cable_is_judged_on_and_is_seen_on_the_next_drum():
    """A16. Taken off for 15 s while the line runs."""
    out = drums((0, "C1-0001", "core-2g5"), (60, None, ""), (75, "C1-0002", "core-2g5"))
    assert len(unverified_on(out, "C1-0002")) == 0
    (fault,) = (f for f in closed(out).values() if f.kind == "fault")
    (second,) = (d for d in of(DrumSpan, out) if d.drum == "C1-0002")
    assert fault.start_m > second.start_m  # it came while no drum was on, and lies on the next one


def test_a_recipe_can_be_set_up_before_the_drum_is_put_on():
    """A16. A drum change to no drum may name the recipe."""
    out = drums((0, None, "core-2g5"), (45, "C1-0001", "core-2g5"))
    assert len(unverified_on(out, "C1-0001")) == 0


def test_shelving_that_begins_and_ends_within_one_feed_ends_when_it_was_to():
    """It ended with the next change of drum or feed: a record made again from whole hours was another one."""

    def shelve(script: Script, s: int) -> None:
        if s == 20:
            until = round((T0 + 30) * 1e3)
            script.send(
                "operator/action", T0 + 20, action="shelve", by="Mira", reason="known", alarm="oven-a/temperature/HI",
                until=until,
            )  # fmt: skip

    messages = decoded(core_line(60, before=shelve).sorted())
    (ended,) = [c for c in of(AlarmChange, pipeline().feed(messages)) if c.event == "shelving ended"]
    engine = pipeline()
    (wanted,) = [c for m in messages for c in of(AlarmChange, engine.feed([m])) if c.event == "shelving ended"]
    assert ended == wanted
