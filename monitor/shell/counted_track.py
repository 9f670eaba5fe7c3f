"""Where a line's cable was in a span of time, by its counter and speed alone, out of the messages on record."""

from bisect import bisect_left
from collections.abc import Sequence

import numpy as np

from monitor.contract.config.line import Line
from monitor.contract.record import Floats
from monitor.contract.topics import Stream
from monitor.contract.units import convert
from monitor.core.arrival import Block, Message, Note, Tick
from monitor.core.pipeline import Pipeline
from monitor.core.track import PAST_S, Track
from monitor.store.message_history import History
from monitor.store.writer import ms

Arrivals = Sequence[Message | Tick | Note]
SLICE_S = 1.0
WARM_S = 60.0  # a comparison of counter and speed that was under way has ended by then
SPEED_S = 10.0  # a reading waits for the speed of its time
TOGETHER = 500


def counter_and_speed(line: Line) -> tuple[Stream, Stream]:
    """The two streams that a track is made of."""
    c = line.counter
    return Stream(line.line, *c.stream.split("/")), Stream(line.line, *c.speed.split("/"))


def past_before(history: History, line: Line, t_s: float, L_m: float) -> tuple[list[float], list[float]]:
    """The thin past of a track before a reading of its counter at `t_s`, at `L_m`: times and metres.

    It is that of an engine that was there, to the bit, but for spans in which counter or speed were silent while other
    streams were not: there it may differ by what the counter and the speed differ.
    """
    counter, _ = counter_and_speed(line)
    messages = [
        m
        for part in history.read(ms(t_s - PAST_S - WARM_S), ms(t_s + SPEED_S))
        for m in part
        if isinstance(m, Message) and (m.stream != counter or m.t_s <= t_s)
    ]
    track = _track(line, messages, None)
    past_t, past_L = track.past
    if not past_t or past_t[0] > t_s:
        return [], []
    # Once more from where it began: by the same offset the metres are the same to the bit.
    past_t, past_L = _track(line, messages, past_L[0] + L_m - float(track.at(t_s))).past
    upto = bisect_left(past_t, t_s)
    return past_t[:upto], past_L[:upto]


def _track(line: Line, messages: Sequence[Message], start_m: float | None) -> Track:
    """The track of an engine that has only counter and speed."""
    wanted = {stream.path for stream in counter_and_speed(line)}
    streams = [settings for settings in line.stream if settings.path in wanted]
    engine = Pipeline(line=line.model_copy(update={"stream": streams, "zone": []}), recipes={})
    engine.track.start_m = start_m
    for i in range(0, len(messages), TOGETHER):
        engine.feed(messages[i : i + TOGETHER])
    return engine.track


def first_counter_s(messages: Arrivals, line: Line) -> float | None:
    """When the counter gave the first of its readings, UTC s; None where there is none."""
    for m in messages:
        if isinstance(m, Message) and m.stream.path == line.counter.stream and isinstance(m.body, Block):
            return float(m.body.t_s[0])
    return None


def counted(history: History, line: Line, end_s: float, back_s: float) -> Track:
    """The track of a span that ends at `end_s`."""
    c, start_s = line.counter, end_s - back_s
    track = Track.of(line)
    found: dict[str, list[Block]] = {c.stream: [], c.speed: []}
    for messages in history.read(ms(start_s), ms(end_s)):
        for m in messages:
            if isinstance(m, Message) and isinstance(m.body, Block):
                found[m.stream.path].append(m.body)
    (counter_s, reading_m), (speed_s, v) = (_in_order(found[path], start_s, end_s) for path in (c.stream, c.speed))
    v = convert(v, line.speed_unit, "m/s")
    edges = np.arange(start_s, end_s + 2 * SLICE_S, SLICE_S)
    of_speed, of_counter = np.searchsorted(speed_s, edges), np.searchsorted(counter_s, edges)
    for i in range(len(edges) - 1):
        a, b = of_speed[i], of_speed[i + 1]
        track.add_speed(speed_s[a:b], v[a:b])
        a, b = of_counter[i], of_counter[i + 1]
        track.add_counter(counter_s[a:b], reading_m[a:b])
    if len(track.t_s) and track.end_s < end_s:
        track.extend(end_s)  # the engine had gone on without the counter too
    return track


def _in_order(blocks: Sequence[Block], start_s: float, end_s: float) -> tuple[Floats, Floats]:
    """Times and values of blocks between two times, the oldest first."""
    if not blocks:
        return np.empty(0), np.empty(0)
    t_s, v = (np.concatenate(parts) for parts in zip(*((b.t_s, b.v) for b in blocks), strict=True))
    inside = np.flatnonzero((t_s >= start_s) & (t_s <= end_s))
    order = inside[np.argsort(t_s[inside], kind="stable")]
    return t_s[order], v[order]
