"""One metre's way from stored samples is the way the stream saw it."""

from collections.abc import Sequence

import numpy as np
import pytest

from monitor.contract.record import Floats
from monitor.core.arrival import Block, Message
from monitor.core.cure.plan import INNER, PEAK
from monitor.core.pipeline import Pipeline
from monitor.evidence.metre_history import Passage, Series, heat_of, oven_streams
from tests.core.script import configuration, decoded, pipeline
from tests.core.test_pipeline import core_line, record

C = configuration()
LINE, RECIPE = C.lines["core-1"], C.recipes["core-2g5"]


def series(messages: Sequence[Message], path: str) -> Series:
    blocks = [m.body for m in messages if m.stream.path == path and isinstance(m.body, Block)]
    return Series(np.concatenate([b.t_s for b in blocks]), np.concatenate([b.v for b in blocks]))


@pytest.fixture(scope="module")
def recorded() -> tuple[list[Message], dict[str, Floats], Pipeline]:
    def speed(s: float) -> float:
        return 230.0 - 60.0 * np.sin(s / 20.0)

    messages = decoded(core_line(200, speed).sorted())
    engine = pipeline()
    return messages, record(engine.feed(messages))[1], engine


def passage_of(messages: Sequence[Message], engine: Pipeline) -> Passage:
    anchor_s = float(engine.track.t_s[0])
    counter, speed = series(messages, LINE.counter.stream), series(messages, LINE.counter.speed)
    return Passage.of(LINE, counter, speed, anchor_s, float(engine.track.L_m[0]))


def test_heat_of_a_metre_is_that_of_its_row(recorded):
    messages, rows, engine = recorded
    passage = passage_of(messages, engine)
    ovens = {s: series(messages, s) for s in oven_streams(LINE, RECIPE)}
    first = int(rows["first"][0])
    for metre in range(first + 130, first + len(rows[INNER]), 97):
        heat = heat_of(LINE, RECIPE, passage, ovens, metre)
        assert heat is not None
        assert heat.trace.index_inner[-1] == pytest.approx(rows[INNER][metre - first], rel=1e-6)
        assert heat.trace.surface_C.max() == pytest.approx(rows[PEAK][metre - first], abs=0.2)
        assert heat.position_m[0] == pytest.approx(0, abs=1e-6)
        assert heat.position_m[-1] == pytest.approx(122, abs=1e-6)


def test_a_counter_that_jumps_is_bridged_as_in_the_stream():
    messages = decoded(core_line(120, reading=lambda L, t: L - 900 if t > 1_764_000_060 else L).sorted())
    engine = pipeline()
    engine.feed(messages)
    passage = passage_of(messages, engine)
    t = np.linspace(engine.track.t_s[5], engine.track.t_s[-5], 40)
    assert passage.track.at(t) + passage.shift_m == pytest.approx(engine.track.at(t), abs=0.05)


def test_a_metre_whose_way_is_not_stored_has_no_heat(recorded):
    messages, rows, engine = recorded
    assert heat_of(LINE, RECIPE, passage_of(messages, engine), {}, int(rows["first"][0]) - 500) is None


def test_a_recipe_without_cure_has_no_heat(recorded):
    messages, _, engine = recorded
    plain = RECIPE.model_copy(update={"cure": None})
    assert heat_of(LINE, plain, passage_of(messages, engine), {}, 1100) is None
    assert oven_streams(LINE, plain) == ()
