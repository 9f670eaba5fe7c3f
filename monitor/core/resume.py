"""An engine that goes on from what the record knows of its line, where no snapshot of its state can be used.

The caller first feeds a fresh engine the messages of the cable that is still in the line and keeps none of its
reports: that fills gauges, ovens, order and elements. `resume` then sets what the record knows better: metres, drum,
alarms, and the stretches that are open.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from monitor.contract.drum_names import NAME_USED
from monitor.contract.record import SILENCE_ALARM, AlarmChange, AlarmState, DrumSpan, Finding, LineEvent, Verdict
from monitor.contract.selfwatch import SELF_ALARMS
from monitor.core.alarms import Alarm, AlarmEvent, Definition
from monitor.core.counter_alarm import COUNTER_ALARM
from monitor.core.cure.stage import FORECAST_ALARM, CureCheck
from monitor.core.limit import Limit, Mode, Point
from monitor.core.pipeline import Pipeline
from monitor.core.stream import StreamFlow
from monitor.core.track import TrackStart

ACTIVE = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
HIDDEN = (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)  # these do not show whether the condition is present
STANDING = (Mode.ACTIVE, Mode.LEAVING)
EXACT_M = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class LastKnown:
    """What the record knows of a line at `t_s`, when its counter was at `line_metre`.

    `track`: where its track starts for the oldest cable in the line. `next_row`: the first whole metre of which no row
    was given out. `recipe`: the one in force; None where an older program did not keep it. `spans`: drums that rows
    still to come may belong to, the one being wound last. `alarms`: the newest change of each. `findings`: those that
    are open, and those of the newest forecast of a line that is stopped. `events`: those that go on, wait for an
    answer or may still be joined, oldest first. `orders`: by stream, its numbering, the next number and the newest
    stamp.
    """

    t_s: float
    line_metre: float
    track: TrackStart | None = None
    next_row: int | None = None
    recipe: str | None = None
    spans: Sequence[DrumSpan] = ()
    alarms: Sequence[AlarmChange] = ()
    findings: Sequence[Finding] = ()
    events: Sequence[LineEvent] = ()
    orders: Mapping[str, tuple[int, int, float]] = field(default_factory=dict)


def resume(pipeline: Pipeline, known: LastKnown) -> None:
    """Set an engine to what the record knows; conditions that the configuration no longer has end with the next feed.

    The counter's position in `known` is in the engine's own coordinates. Raises nothing for a record with holes: what
    is not there stays as the engine has it.
    """
    _metres(pipeline, known)
    _drums(pipeline, known)
    for path, (start, next_n, newest_s) in known.orders.items():
        flow = pipeline.flows.get(path)
        order = flow.order if flow else pipeline.order_of(path)
        if order.next_n is None:
            order.start, order.next_n, order.newest_s = start, next_n, newest_s
    _open_stretches(pipeline, known)
    _alarms(pipeline, known)
    pipeline.event_book.go_on(known.events)


def _metres(pipeline: Pipeline, known: LastKnown) -> None:
    track = pipeline.track
    if pipeline.silence.heard_s is None:
        pipeline.silence.heard_s = known.t_s
    if not len(track.t_s):
        track.begin(known.t_s, known.line_metre)
    off_m = known.line_metre - float(track.at(known.t_s))
    if abs(off_m) > EXACT_M and known.t_s >= track.t_s[0]:  # else it has gone on since and shows nothing
        track.shift(off_m)
    if known.next_row is not None:
        pipeline.rows.next_m = max(known.next_row, pipeline.rows.next_m or known.next_row)


def _drums(pipeline: Pipeline, known: LastKnown) -> None:
    """The drums on record, and the recipe in force: also with no drum on, since cable in the line ends on the next."""
    drums = pipeline.drums
    drums.spans = list(known.spans)
    newest = drums.spans[-1] if drums.spans else None
    drums.on = newest if newest is not None and newest.end_m is None else None
    if drums.on is None and known.recipe is None:
        return
    recipe = pipeline.recipes.get((drums.on.recipe if drums.on else known.recipe) or "")
    if recipe is not pipeline.recipe:
        end_s = max(pipeline.track.end_s, known.t_s)
        pipeline.judge_by(recipe, end_s, _judged_from_m(pipeline, newest, end_s), [])


def _judged_from_m(pipeline: Pipeline, newest: DrumSpan | None, end_s: float) -> float:
    """Where the recipe in force came: at the start of the drum that is on, or else at the end of the last one."""
    if newest is None:
        return pipeline.metre_at(end_s, None)
    return newest.start_m if newest.end_m is None else newest.end_m


# ---- what is open --------------------------------------------------------------------------------------------------


def _open_stretches(pipeline: Pipeline, known: LastKnown) -> None:
    found: dict[tuple[str, str], Finding] = {}
    for f in sorted((f for f in known.findings if f.end_m is None), key=lambda f: f.start_s):
        found[f.stream, f.check] = f
    for flow in pipeline.flows.values():
        _open_of(flow, found)
    for check in pipeline.dwells:
        for name, limit in check.sides:
            _set(limit, found.get((check.stream, name)))
    for length in pipeline.curing.lengths:
        if length.end_m == np.inf:
            for cured in length.checks:
                _set(cured.limit, found.get((cured.column, cured.check)))
            _set(length.unverified, found.get((length.plan.columns[0], "unverified")))
    foreseen = [f for f in known.findings if f.stream == "cure/forecast" and f.verdict is Verdict.SUSPECT]
    if foreseen and pipeline.states.now == "stopped":
        pipeline.curing.foreseen(foreseen)


def _open_of(flow: StreamFlow, found: Mapping[tuple[str, str], Finding]) -> None:
    path = flow.settings.path
    if flow.window:
        for name, limit in flow.window.limits.items():
            finding = found.get((path, name))
            _set(limit, finding, None if finding is None else _counter_m(flow, finding))
    silence = found.get((path, "missing"))
    if silence is not None and flow.missing is not None and not _heard_since(flow, silence):
        flow.missing.silent = True
        start_s, start_m = silence.start_s, _counter_m(flow, silence)
        if not _is_same(flow.missing.last_s, flow.missing.last_m, start_s, start_m):
            flow.missing.last_s, flow.missing.last_m = start_s, start_m
    stuck = found.get((path, "stuck"))
    if flow.stuck is not None:
        flow.stuck.stuck = stuck is not None
        if stuck is not None:
            start_s, start_m = stuck.start_s, _counter_m(flow, stuck)
            if not _is_same(flow.stuck.since_s, flow.stuck.since_m, start_s, start_m):
                flow.stuck.since_s, flow.stuck.since_m = start_s, start_m


def _counter_m(flow: StreamFlow, finding: Finding) -> float:
    """The counter's length where a finding starts, by which the flow comes to the same start again, to the bit.

    A stream of a zone with several passes has one finding for each.
    """
    extent = next((e for e in flow.where if e.suffix.lstrip("/") == finding.text), flow.where[0])
    counter_m, end_m = flow.line.counter_m, extent.end_m
    L_m = finding.start_m + end_m - counter_m
    near = (L_m, float(np.nextafter(L_m, -np.inf)), float(np.nextafter(L_m, np.inf)))
    return next((m for m in near if m + counter_m - end_m == finding.start_m), L_m)


def _heard_since(flow: StreamFlow, silence: Finding) -> bool:
    return flow.newest_s > silence.start_s and flow.newest == flow.newest


def _set(limit: Limit, finding: Finding | None, start_m: float | None = None) -> None:
    """A limit is beyond where the record has an open stretch of it, since the same moment; else it is not yet.

    `start_m` is where the stretch starts by the limit's own metres, where these are not the finding's. The engine's
    own start is kept where it is the same to the bit but for rounding.
    """
    if finding is None:
        if limit.mode in STANDING:
            limit.mode, limit.start, limit.left = Mode.IDLE, None, None
        return
    t_s, extreme = finding.start_s, finding.extreme
    if limit.mode not in STANDING:
        limit.mode, limit.left = Mode.ACTIVE, None
        limit.extreme = -np.inf
    value = limit.at if extreme is None else extreme
    limit.extreme = max(limit.extreme, limit.sign * value)
    L_m = finding.start_m if start_m is None else start_m
    if limit.start is None or not _is_same(limit.start.t_s, limit.start.L_m, t_s, L_m):
        limit.start = Point(t_s=t_s, L_m=L_m, clock=L_m, value=value, known_s=t_s, seq=-1)


def _is_same(t_s: float, L_m: float, known_s: float, known_m: float) -> bool:
    """Whether the engine has a time and metre as the record has them: times in ms, metres but for rounding."""
    return t_s == t_s and round(t_s * 1e3) == round(known_s * 1e3) and abs(L_m - known_m) <= EXACT_M


# ---- alarms --------------------------------------------------------------------------------------------------------


def _alarms(pipeline: Pipeline, known: LastKnown) -> None:
    seen = {name: alarm.active for name, alarm in pipeline.book.alarms.items()}
    present = set(_present(pipeline))
    pipeline.book.alarms = {n: Alarm(definition=a.definition) for n, a in pipeline.book.alarms.items()}
    for change in known.alarms:
        alarm = pipeline.book.alarms.setdefault(
            change.alarm, Alarm(definition=Definition(change.priority, change.limit, change.unit))
        )
        alarm.state, alarm.occurrence_s = change.after, change.occurrence_s
        alarm.value, alarm.line_metre, alarm.until_s = change.value, change.line_metre, change.until_s
        alarm.active = change.after in ACTIVE
        if change.after in HIDDEN:
            alarm.active = change.alarm in present or seen.get(change.alarm, False)
        if change.after is AlarmState.SUPPRESSED:
            _suppressed(pipeline, change.alarm)
        if alarm.active:
            _carry_on(pipeline, change, present)


def _present(pipeline: Pipeline) -> Iterator[str]:
    """Alarms whose condition the engine itself carries."""
    for path, flow in pipeline.flows.items():
        if flow.window:
            yield from (f"{path}/{name}" for name, limit in flow.window.limits.items() if limit.mode in STANDING)
        if flow.missing and flow.missing.silent:
            yield f"{path}/missing"
        if flow.stuck and flow.stuck.stuck:
            yield f"{path}/stuck"
    for check in pipeline.dwells:
        yield from (f"{check.stream}/{name}" for name, limit in check.sides if limit.mode in STANDING)
    yield from (check.alarm for check in _cure_checks(pipeline) if check.limit.mode in STANDING)
    yield from SELF_ALARMS


def _cure_checks(pipeline: Pipeline) -> list[CureCheck]:
    return pipeline.curing.lengths[-1].checks if pipeline.curing.plan is not None else []


def _suppressed(pipeline: Pipeline, alarm: str) -> None:
    path, _, name = alarm.rpartition("/")
    flow = pipeline.flows.get(path)
    if flow is not None and flow.window:
        flow.window.suppressed |= {n for n in flow.window.limits if n == name}


def _carry_on(pipeline: Pipeline, change: AlarmChange, present: set[str]) -> None:
    """What will end an alarm that is active; one whose condition no longer exists returns with the next feed."""
    name = change.alarm
    path, _, check = name.rpartition("/")
    flow = pipeline.flows.get(path)
    if name == SILENCE_ALARM:
        pipeline.silence.silent = True
    elif name == COUNTER_ALARM:
        pipeline.counter_alarm.is_active_from(change.occurrence_s)
    elif name == NAME_USED:
        pipeline.drums.name_alarm.is_active_from(change.occurrence_s)
    elif name == FORECAST_ALARM and pipeline.curing.foresees:
        pipeline.curing.at_risk()
    elif flow is not None and flow.pulse is not None and flow.pulse.check.name == check:
        if flow.pulse.until_s is None:
            flow.pulse.until_s = change.occurrence_s + flow.pulse.check.off_delay_s
    elif name not in present:
        now_s = pipeline.track.end_s
        pipeline.report(AlarmEvent(known_s=now_s, seq=pipeline.seq, t_s=now_s, alarm=name, event="returned"))
