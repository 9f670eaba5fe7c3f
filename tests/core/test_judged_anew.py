"""Another recipe or revision amid a stretch that stands open: it ends there, in order, and no alarm is left behind."""

from typing import Any

import pytest

from monitor.contract.record import AlarmChange, Finding, Output, Revision
from monitor.core.pipeline import Pipeline
from tests.core.script import T0, Script, decoded, pipeline
from tests.core.test_pipeline import closed, core_line, of, record

HI = "window/oven-b/temperature/hi"


def limits(script: Script, s: float, name: str, to: float) -> None:
    change: dict[str, Any] = {"proposal": name, "recipe": "core-2g5"}
    script.send("operator/limits", T0 + s, step="propose", by="Mira", reason="wide", changes={HI: to}, **change)
    script.send("operator/limits", T0 + s + 0.1, step="approve", by="Olle", **change)


def stood(s: float) -> float:
    """A line that stands from 30 to 60 s."""
    return 230.0 if s < 30 or s >= 60 else 0.0


def changes(outputs: list[Output], alarm: str) -> list[tuple[str, float]]:
    return [(c.event, round(c.t_s - T0, 1)) for c in of(AlarmChange, outputs) if c.alarm == alarm]


def test_a_dwell_that_is_too_long_ends_where_new_limits_come_into_force():
    def before(script: Script, s: int) -> None:
        if s == 62:  # cable that stood is leaving the ovens
            limits(script, s, "P1", 316.0)

    out = pipeline().feed(decoded(core_line(120, stood, before=before).sorted()))
    dwells = [f for f in closed(out).values() if f.check == "long"]
    assert len({f.stream for f in dwells}) >= 2
    assert not [f for f in dwells if f.end_m is None or f.end_m < f.start_m]
    for stream in {f.stream for f in dwells}:
        assert [event for event, _ in changes(out, f"{stream}/long")][-1] == "returned"


@pytest.mark.parametrize("to", ["core-2g5", "core-1g5"])
def test_the_alarm_of_an_event_returns_in_its_time_under_another_recipe(to):
    def before(script: Script, s: int) -> None:
        if s == 40:
            script.send_samples("spark-electrode/spark-fault", T0 + 40.3, 1)
        if s == 43 and to == "core-2g5":
            limits(script, s, "P1", 316.0)
        if s == 43 and to == "core-1g5":
            script.send("take-up/drum", T0 + 43, drum="C1-0002", recipe=to)

    out = pipeline().feed(decoded(core_line(70, before=before).sorted()))
    assert changes(out, "spark-electrode/spark-fault/spark-fault") == [("raised", 40.3), ("returned", 50.3)]


@pytest.mark.parametrize("cut_s", [52, 61, 69])
def test_a_metre_that_stands_at_the_end_of_a_zone_has_not_left_it(cut_s):
    """The line stops with the middle of a metre just at the end of the shock oven; then new limits cut its dwell."""

    def before(script: Script, s: int) -> None:
        if s == 70:
            limits(script, s, "P1", 316.0)

    def speed(s: float) -> float:
        return 230.0 * min(1.0, max(0.0, (50 - s) / 10, (s - 80) / 10))

    script = core_line(120, speed, before=before, reading=lambda L, _: round(L, 3)).sorted()
    messages = decoded(script)
    whole, cut = pipeline(), pipeline()
    first = [m for m, a in zip(messages, script, strict=True) if a.received_s < T0 + cut_s]
    found = record(cut.feed(first) + cut.feed(messages[len(first) :]))
    assert found[0] == record(whole.feed(messages))[0]
    assert any("shock-oven/dwell/long" in text and "Finding" in text for text in found[0])


def test_a_second_excursion_that_new_limits_end_does_not_end_with_the_first():
    def before(script: Script, s: int) -> None:
        if s == 62:
            limits(script, s, "P1", 316.0)

    script = core_line(90, before=before, quiet=("oven-b/temperature",))
    for s in range(90):
        script.send_samples("oven-b/temperature", T0 + s, [320.0 if 20 <= s < 30 or s >= 50 else 305.0] * 2, 0.5)
    found = closed(pipeline().feed(decoded(script.sorted())))
    high = [f for f in found.values() if f.stream == "oven-b/temperature" and f.check == "HI"]
    ended = sorted((f.start_s - T0, round(f.end_s - T0, 3)) for f in high if f.end_s is not None)
    assert ended == [(20, 30)] * 2 + [(50, 62.1)] * 2


def titled(engine: Pipeline, revision: int) -> list[Output]:
    """Take a revision of the recipe's file in which only the title is another."""
    before = dict(engine.recipes)
    file = before["core-2g5"].model_copy(update={"revision": revision, "title": "Core"})
    return engine.take_recipes({**before, "core-2g5": file}, before, "configuration files")


@pytest.mark.parametrize("at", [35, 52, 63, 75])
def test_another_title_ends_nothing(at):
    def before(script: Script, s: int) -> None:
        if s == 50:
            script.send_samples("spark-electrode/spark-fault", T0 + 50.3, 1)

    script = core_line(110, stood, before=before).sorted()
    first = [a for a in script if a.received_s < T0 + at]
    plain, edited = pipeline(), pipeline()
    wanted = plain.feed(decoded(first)) + plain.feed(decoded(script)[len(first) :])
    found = edited.feed(decoded(first))
    came = titled(edited, 2)
    assert [(r.revision, r.by) for r in of(Revision, came)] == [(2, "configuration files")]
    assert [o for o in came if not isinstance(o, Revision)] == []
    found += edited.feed(decoded(script)[len(first) :])
    assert [f for f in of(Finding, wanted) if f.check == "long"]
    texts, rows = record(found)
    assert [x.replace("revision=2", "revision=1") for x in texts] == record(wanted)[0]
    for name, column in record(wanted)[1].items():
        assert rows[name].tolist() == pytest.approx(column.tolist(), nan_ok=True, abs=0), name
