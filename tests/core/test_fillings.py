"""Numbers of fillings: in order, the same again for what is known, and which one holds a metre."""

import itertools
from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.drum_names import NAME_USED
from monitor.contract.record import AlarmChange, DrumSpan, Output, Priority, Rejected
from monitor.core import fillings
from monitor.core.arrival import Message, Note, Tick
from monitor.core.fillings import Fillings
from tests.core.script import T0, Script, decoded, pipeline, through_snapshot
from tests.core.test_pipeline import core_line, of

NAMES = st.lists(st.sampled_from(["7", "8", "A/1", "A_1"]), max_size=40)


def wound(names: list[str]) -> tuple[Fillings, list[DrumSpan]]:
    """Drums of 100 m after each other, with 10 m on none between; the last one is still being wound."""
    known, made = Fillings(), []
    for i, name in enumerate(names):
        start_s, start_m = 1000.0 * i, 110.0 * i
        span = DrumSpan(
            line="l", filling=known.number(name, start_s), drum=name, recipe="r", revision=1, start_m=start_m,
            end_m=start_m + 100.0 if i + 1 < len(names) else None, start_s=start_s, end_s=None,
        )  # fmt: skip
        known.put(span)
        made.append(span)
    return known, made


@given(NAMES)
def test_numbers_count_from_one_on_whatever_the_names(names):
    _, made = wound(names)
    assert [s.filling for s in made] == list(range(1, len(names) + 1))


@given(NAMES, st.integers(0, 40))
def test_after_a_restart_what_is_known_keeps_its_number_and_the_next_follows(names, since):
    """A2: an engine that is fed again from anywhere on gives no number twice."""
    before, made = wound(names)
    again = Fillings.of(reversed(made))
    assert (again.newest, again.kept) == (before.newest, before.kept)
    for span in made[since:]:
        assert again.number(span.drum, span.start_s) == span.filling
    assert again.number("7", 1e9) == len(names) + 1


@given(NAMES)
def test_a_name_was_used_before_where_an_earlier_filling_bears_it(names):
    known, made = wound(names)
    assert [known.used_before(s) for s in made] == [name in names[:i] for i, name in enumerate(names)]


@pytest.mark.parametrize(
    ("metre", "filling"), [(-0.1, None), (0.0, 1), (99.9, 1), (100.0, None), (109.9, None), (110.0, 2), (250.0, 3)]
)
def test_cable_between_two_drums_is_on_neither(metre, filling):
    known, _ = wound(["7", "8", "7"])
    found = known.holding(metre, 300.0)
    assert (found.filling if found else None) == filling


@given(NAMES, st.floats(-50, 5000), st.floats(-50, 5000))
def test_the_filling_that_holds_a_metre_is_the_one_on_which_it_lies(names, metre, wound_m):
    known, made = wound(names)
    want = [
        s for s in made
        if s.start_m <= metre < (s.end_m if s.end_m is not None else float("inf")) and metre <= wound_m
    ]  # fmt: skip
    assert [known.holding(metre, wound_m)] == (want or [None])


def test_what_is_kept_is_bounded_and_the_numbers_go_on(monkeypatch):
    monkeypatch.setattr(fillings, "KEPT", 3)
    known, made = wound([str(i) for i in range(10)])
    assert [s.filling for s in known.kept] == [8, 9, 10]
    assert not known.used_before(made[0])
    assert known.newest == 10


@pytest.mark.parametrize("metre", [float("nan"), 0.0])
def test_no_metre_is_on_no_drum(metre):
    known, _ = wound(["7"])
    assert known.holding(metre, float("nan")) is None


def came_back() -> list[Message | Tick | Note]:
    def change(script: Script, s: int) -> None:
        for i, name in enumerate(["8", "7", None, "7", "8"], 1):
            if s == 25 * i:
                script.send("take-up/drum", T0 + s, drum=name, recipe="core-2g5")

    return decoded(core_line(210, before=change).sorted())


def test_a_drum_that_comes_back_on_a_line_is_another_filling():
    spans = of(DrumSpan, pipeline().feed(came_back()))
    newest = list({s.filling: s for s in spans}.values())
    assert [(s.filling, s.drum) for s in newest] == [(1, "C1-0001"), (2, "8"), (3, "7"), (4, "7"), (5, "8")]
    for a, b in itertools.pairwise(newest[:3]):
        assert a.end_m == b.start_m
    assert newest[2].end_m < newest[3].start_m


def changed(*changes: tuple[str | None, str]) -> list[Output]:
    """What a line makes of drum changes (name, recipe), 25 s apart, after C1-0001."""

    def change(script: Script, s: int) -> None:
        for i, (name, recipe) in enumerate(changes, 1):
            if s == 25 * i:
                script.send("take-up/drum", T0 + s, drum=name, recipe=recipe)

    return pipeline().feed(decoded(core_line(25 * len(changes) + 60, before=change).sorted()))


def fillings_of(outputs: list[Output]) -> list[tuple[int, str, str]]:
    return [(s.filling, s.drum, s.recipe) for s in {s.filling: s for s in of(DrumSpan, outputs)}.values()]


def test_the_drum_that_is_on_named_again_is_the_same_filling_r23():
    """As a controller does that sends its present values after each start."""
    outputs = changed(("7", "core-2g5"), ("7", "core-2g5"), ("7", ""))
    assert fillings_of(outputs) == [(1, "C1-0001", "core-2g5"), (2, "7", "core-2g5")]
    assert [s.start_m for s in of(DrumSpan, outputs) if s.drum == "7"] == [of(DrumSpan, outputs)[-1].start_m]
    assert of(Rejected, outputs) == []


def test_the_same_drum_filled_again_at_once_is_another_filling_with_none_between_r23():
    outputs = changed(("7", "core-2g5"), (None, ""), ("7", "core-2g5"))
    assert fillings_of(outputs) == [(1, "C1-0001", "core-2g5"), (2, "7", "core-2g5"), (3, "7", "core-2g5")]


def test_another_recipe_for_the_drum_that_is_on_is_not_taken_silently_r23():
    outputs = changed(("7", "core-2g5"), ("7", "core-1g5"))
    assert fillings_of(outputs) == [(1, "C1-0001", "core-2g5"), (2, "7", "core-2g5")]
    (rejected,) = of(Rejected, outputs)
    assert rejected.kind == "drum is on"
    assert "7 is on already with recipe core-2g5" in rejected.why


def events(outputs: Iterable[Output]) -> list[tuple[str, float]]:
    return [(c.event, c.t_s - T0) for c in of(AlarmChange, outputs) if c.alarm == NAME_USED]


def test_a_name_that_comes_back_is_one_low_alarm_that_ends_by_itself():
    """Two drums come back within a minute: each is reported, and nothing stays active."""
    outputs = pipeline().feed(came_back())
    assert events(outputs) == [("raised", 100.0), ("returned", 125.0), ("raised", 125.0), ("returned", 185.0)]
    changes = [c for c in of(AlarmChange, outputs) if c.alarm == NAME_USED]
    assert {c.priority for c in changes} == {Priority.LOW}
    begun = {round(s.start_s - T0): s.start_m for s in of(DrumSpan, outputs) if s.end_m is None}
    assert [c.line_metre for c in changes] == [begun[100], begun[100], begun[125], begun[125]]


@pytest.mark.parametrize("each", [1, 37, 400])
def test_however_the_arrivals_are_cut_and_through_snapshots_the_alarm_is_the_same(each):
    messages, whole = came_back(), pipeline()
    want, engine, got = whole.feed(messages), pipeline(), []
    for i in range(0, len(messages), each):
        got += engine.feed(messages[i : i + each])
        engine = engine if each == 1 else through_snapshot(engine)
    assert events(got) == events(want)
    assert engine.drums.fillings == whole.drums.fillings


def test_an_engine_that_begins_without_a_snapshot_knows_the_names_on_record():
    first = pipeline()
    first.feed(came_back())
    again = pipeline()
    again.drums.fillings = Fillings.of(first.drums.fillings.kept)
    outputs = again.feed(came_back())
    assert [s.filling for s in of(DrumSpan, outputs) if s.end_m is None] == [1, 2, 3, 4, 5]
    assert [event for event, _ in events(outputs)] == ["raised", "returned"] * 2


def test_an_alarm_names_the_drum_that_holds_its_metre_and_none_for_cable_that_is_on_none_yet():
    """A12: 7 of 188 alarms named the drum of their batch's end. 230 m/min from 1000 m on; the knife is 8 m back."""

    def faults(script: Script, s: int) -> None:
        if s % 20 == 5:
            script.send_samples("spark-electrode/spark-fault", T0 + s + 0.3, 1)
        if s in (50, 90):
            script.send("take-up/drum", T0 + s, drum=f"at {s}", recipe="core-2g5")

    outputs = pipeline().feed(decoded(core_line(150, before=faults).sorted()))
    spans = {s.filling: s for s in of(DrumSpan, outputs)}
    changes = [c for c in of(AlarmChange, outputs) if c.line_metre is not None]
    for c in changes:
        knife_m = 1000.0 + 230.0 / 60.0 * (c.t_s - T0) - 8.0
        if abs(c.line_metre - knife_m) > 1.0:
            on = [s.key for s in spans.values() if s.start_m <= c.line_metre < (s.end_m or np.inf)]
            assert ([c.filling] if c.filling else []) == (on if c.line_metre < knife_m else []), c
    assert {c.filling for c in changes} >= {None, spans[2].key}
