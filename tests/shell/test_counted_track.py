"""A track out of the messages on record: the thin past of an engine that was there, to the bit."""

from bisect import bisect_left
from dataclasses import dataclass
from typing import cast

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.pipeline import Pipeline
from monitor.core.track import Track
from monitor.shell.counted_track import counter_and_speed, first_counter_s, past_before
from monitor.store.message_history import History
from tests.core.script import T0, Script, configuration, decoded, pipeline

LINE = configuration().lines["core-1"]


@dataclass
class Kept:
    """A history of messages that were kept."""

    messages: list

    def read(self, start_ms: int, end_ms: int) -> list[list]:
        return [[m for m in self.messages if m.end_s * 1e3 >= start_ms and m.t_s * 1e3 <= end_ms]]


def run_of(speeds: list[float], resets: list[float], silent: tuple[float, float]) -> list:
    """Counter and speed of a line whose counter was reset, and silent once; a share of the time each."""
    script, L_m, long_s = Script(), 1000.0, 5.0 * len(speeds)
    for i, v in enumerate(speeds):
        s = 5.0 * i
        lost_m = 700.0 * sum(at * long_s < s for at in resets)
        if not silent[0] * long_s <= s < (silent[0] + silent[1]) * long_s:
            script.send_samples("metre-counter/length", T0 + s, L_m - lost_m + v * np.arange(5) / 60, 1.0)
        script.send_samples("metre-counter/speed", T0 + s, [v] * 5, 1.0)
        L_m += 5.0 * v / 60
    return decoded(script.sorted())


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(0, 250), min_size=60, max_size=90), st.lists(st.floats(0.1, 0.9), max_size=2),
    st.tuples(st.floats(0.1, 0.8), st.just(0.0) | st.floats(0.05, 0.2)), st.floats(0.3, 1.0),
)  # fmt: skip
def test_the_past_before_a_reading_is_that_of_the_engine_that_was_there(speeds, resets, silent, share):
    """A3: a rebuilt engine placed samples that came late by the first metre of its track."""
    messages = run_of(speeds, resets, silent)
    engine = Pipeline(line=LINE, recipes={})
    engine.feed(messages)
    starts = [s for s in engine.track.starts if s.t_s <= T0 + share * 5 * len(speeds)]
    start = starts[-1]
    past_t, past_L = past_before(cast(History, Kept(messages)), LINE, start.t_s, start.L_m)
    theirs_t, theirs_L = engine.track.past
    upto = bisect_left(theirs_t, start.t_s)
    assert past_t == theirs_t[:upto]
    assert past_L == theirs_L[:upto]


def test_where_nothing_was_counted_there_is_no_past():
    assert past_before(cast(History, Kept([])), LINE, T0, 1000.0) == ([], [])
    assert first_counter_s([], LINE) is None


def test_a_track_is_made_of_the_streams_that_the_line_names():
    assert [s.path for s in counter_and_speed(LINE)] == ["metre-counter/length", "metre-counter/speed"]
    assert first_counter_s(run_of([60.0] * 3, [], (0.0, 0.4)), LINE) == T0 + 10.0


@pytest.mark.parametrize("by_m", [0.5, -0.5])
def test_a_past_moves_with_its_track(by_m):
    track = Track(line="core-1", jump_m=1.0, slip_percent=3.0)
    track.remember([0.0, 2.0], [10.0, 14.0])
    track.shift(by_m)
    assert track.was_at(np.array([1.0]), np.array([9.0])).tolist() == [12.0 + by_m]
    assert pipeline().track.past == ([], [])
