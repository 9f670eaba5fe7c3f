"""What a page fetches each second, as plain values for JSON: every line now, and the shown line's newest samples."""

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias, TypedDict

from dashboard.context import Context, shown_streams, window_of
from dashboard.queries import downsample, ribbon
from dashboard.queries.attention import ACTIVE, by_need
from dashboard.queries.monitors import suspended, unmonitored
from dashboard.text import alarm_text, format
from dashboard.text.addresses import way_to
from dashboard.text.format import exact, fixed
from monitor.contract.config.line import Line, StreamSettings
from monitor.contract.reading import AlarmRow, NowRow
from monitor.contract.topics import Stream
from monitor.contract.units import convert
from monitor.evidence import verdict_runs
from monitor.evidence.inherited import as_runs, inherited_faults
from monitor.evidence.verdict_runs import Run

UNACKNOWLEDGED = frozenset({"unacknowledged", "returned to normal unacknowledged"})
BACKFILL_MS = 10 * 60_000
SINCE_MS = 5000  # viewers of a line who have about the same samples get the same answer
AGAIN_M, WHOLE_MS = 400.0, 30_000  # of a ribbon, what is read again each second, and how often all of it
QUIET_S = 5.0  # a stream without a rule of its own is old after this


@dataclass(frozen=True, slots=True)
class Question:
    """A browser's request: the line it shows, the newest sample and the ribbon metres it already has."""

    line: str | None = None
    since_ms: int | None = None
    metres: Mapping[str, float] | None = None


# What the engine reported of cable inside, as JSON of the record: see `status_json` of its curing stage.
CureNow: TypeAlias = Mapping[str, Any]


class StreamNow(TypedDict):
    """A stream's newest samples: UTC ms and values, and from which age [s] the last one is old."""

    t: list[int]
    v: list[float]
    newest: int | None
    last: float | None
    old_after_s: float


@dataclass(frozen=True, slots=True)
class Moment:
    """What every viewer receives in one second; `whole` are the ribbons of the drums being wound, by line."""

    reply: Mapping[str, object]
    lines: Mapping[str, Mapping[str, object]]
    whole: Mapping[str, "Ribbon"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ribbon:
    """The drum that a line winds: its length so far, and its runs as far as they are judged."""

    filling: int | None
    wound_m: float
    own: Sequence[Run]  # of its own line
    runs: Sequence[Run]  # with what it inherits
    read_whole_ms: int


def answer(context: Context, question: Question) -> dict[str, object]:
    """Everything the open page needs to be up to date; see `Question`. Made once a second for all who ask."""
    now_ms = context.now_ms
    found = context.shared.get(now_ms, "moment", lambda: moment(context))
    metres = question.metres or {}
    reply = dict(found.reply)
    reply["lines"] = [dict(line) | _ribbon(found, name, metres.get(name)) for name, line in found.lines.items()]
    if question.line is not None:
        line = context.configuration.lines[question.line]
        since = max(question.since_ms or 0, now_ms - BACKFILL_MS)
        begin = since // SINCE_MS * SINCE_MS
        made = context.shared.get(now_ms, ("shown", question.line, begin), lambda: shown(context, line, begin, now_ms))
        reply["shown"] = {"line": line.line, "streams": {path: _after(since, s) for path, s in made.items()}}
    return reply


def _after(since_ms: int, stream: StreamNow) -> StreamNow:
    """A stream's samples after a time."""
    first = bisect_right(stream["t"], since_ms)
    return {**stream, "t": stream["t"][first:], "v": stream["v"][first:]}


def moment(context: Context) -> Moment:
    """All lines now, as the record has them: first those that need someone, the most urgent first."""
    alarms = list(context.record.alarms_now())
    rows = {row.line: row for row in context.record.lines_now()}
    suspensions, without = suspended(context), unmonitored(context)
    needs = by_need(alarms, list(context.configuration.lines))
    whole = {}
    for name, row in rows.items():
        if name in context.configuration.lines:
            before = context.ribbons.get(name, Ribbon)
            found = ribbon_now(context, context.configuration.lines[name], row, before)
            if found is not None:
                whole[name] = found
                context.ribbons.put(name, found)
    ask_for = [
        *({"line": name, "why": "suspended"} for name in sorted(suspensions)),
        *({"line": name, "why": "not monitored"} for name in without),
        *({"line": name, "why": need.why} for name, need in needs if name not in suspensions and name not in without),
    ]
    order = dict.fromkeys([*(one["line"] for one in ask_for), *context.configuration.lines])
    return Moment(
        reply={
            "t": context.now_ms,
            "rejected": sum(row.count for row in context.record.rejected()),
            "alarms_key": alarms_key(alarms),
            "needs": ask_for,
        },
        lines={
            name: line_now(context, context.configuration.lines[name], rows.get(name), of_line(alarms, name))
            | {"suspended": suspensions.get(name, ""), "unmonitored": without.get(name, "")}
            for name in order
        },
        whole=whole,
    )


def of_line(alarms: Sequence[AlarmRow], line: str) -> list[AlarmRow]:
    """Alarms of one line."""
    return [a for a in alarms if a.line == line]


def _ribbon(found: Moment, line: str, since_m: float | None) -> dict[str, object]:
    """The ribbon of a line from the metre on that a viewer has; nothing for a line that never sent data."""
    whole = found.whole.get(line)
    if "t" not in found.lines[line]:
        return {}
    if whole is None:
        return {"ribbon": None}
    since = min(max(since_m or 0.0, 0.0), whole.wound_m)
    cut = [Run(max(r.start_m, since), r.end_m, r.verdict) for r in whole.runs if r.end_m > since]
    return {"ribbon": {"since": since, "runs": ribbon.packed(cut)}}


def alarms_key(alarms: Sequence[AlarmRow]) -> str:
    """Changes when any alarm does."""
    return ";".join(f"{a.line}/{a.alarm}@{a.t_ms}={a.state}" for a in alarms)


def line_now(context: Context, line: Line, row: NowRow | None, alarms: Sequence[AlarmRow]) -> dict[str, object]:
    """One line for the first page, without its ribbon."""
    newest = context.record.newest_ms(line.line)
    status: dict[str, object] = {
        "line": line.line,
        "title": line.title,
        "newest": max(newest.values(), default=None),
        "asks": asks(context, alarms),
        "state": row.state if row else None,
    }
    return status | (_running(context, line, row) if row else {})


def asks(context: Context, alarms: Sequence[AlarmRow]) -> dict[str, object]:
    """Unacknowledged alarms: how many active of each priority, how many ended, and the most urgent one in words."""
    unacknowledged = [a for a in alarms if a.state in UNACKNOWLEDGED]
    unacknowledged.sort(key=lambda a: (a.state not in ACTIVE, -alarm_text.ORDER.get(a.priority, 0), -a.occurrence_ms))
    active = [a for a in unacknowledged if a.state in ACTIVE]
    counts = {p: sum(a.priority == p for a in active) for p in ("high", "medium", "low")}
    standing = sum(a.state == "acknowledged" for a in alarms)
    first = unacknowledged[0] if unacknowledged else None
    text = alarm_text.text_of(first, context.configuration).title if first else ""
    since = first.occurrence_ms if first else None
    return counts | {"ended": len(unacknowledged) - len(active), "text": text, "since": since, "standing": standing}


def _running(context: Context, line: Line, row: NowRow) -> dict[str, object]:
    window = window_of(context.recipe(row.line, row.recipe), line.counter.speed)
    low, high = (_m_per_min(at, window.unit) for at in (window.lo, window.hi)) if window else (None, None)
    speed = row.speed_m_per_s * 60.0
    wound = drum_metre(line, row)
    return {
        "t": row.t_ms,
        "speed": round(speed, 1),
        "window": [low, high] if window else None,
        "outside": bool(window and row.state in window.states and _outside(speed, low, high)),
        "drum": row.drum,
        "filling": row.filling,
        "drum_page": way_to("drum", row.line, row.filling) if row.filling is not None else None,
        "recipe": row.recipe,
        "drum_metre": None if wound is None else round(wound, 1),
        "planned_m": row.planned_length_m,
        "drum_change_s": time_to_drum_change_s(wound, row.planned_length_m, row.speed_m_per_s),
        "dwell_s": {zone: s for zone, s in row.extra.get("dwell_s", {}).items() if s == s},
        "cure": cure_now(context, row),
    }


def _m_per_min(limit: float | None, unit: str) -> float | None:
    return None if limit is None else round(convert(limit, unit, "m/min"), 3)


def cure_now(context: Context, row: NowRow) -> dict[str, object] | None:
    """Headroom to the cure limit in few words, and the action where cable in the line is at risk."""
    cure = row.extra.get("cure")
    if not cure:
        return None
    room = cure["headroom"]["faster"]["room"]
    fast = room is not None and room < 0
    room_text = (
        ""
        if room is None
        else f"speed must drop {fixed(-room, 0)} m/min for full cure"
        if fast
        else f"speed margin {fixed(room, 0)} m/min before undercure"
    )
    return {"room": room_text, "advice": advice(cure, context.zone)}


def advice(cure: CureNow, zone: str) -> str:
    """The action that the forecast calls for, or nothing."""
    lost, hot = (sum(b - a for a, b in cure[name]) for name in ("lost", "overheated"))
    parts = []
    if cure["save"] is not None and cure["at_risk"]:
        act = f" by {format.local(cure['act_by_ms'], zone)}" if cure["act_by_ms"] and not cure["standing"] else ""
        how = "restart at" if cure["standing"] else "reduce speed to"
        parts.append(f"{how} {exact(cure['save'])} m/min or below{act}")
    if lost:
        parts.append(f"{fixed(lost, 0)} m now in the line will be undercured")
    if hot:
        parts.append(f"{fixed(hot, 0)} m now in the line overheated")
    return "; ".join(parts)


def _outside(value: float, low: float | None, high: float | None) -> bool:
    return (low is not None and value < low) or (high is not None and value > high)


def drum_metre(line: Line, row: NowRow) -> float | None:
    """Metres on the present drum: the knife is at the take-up, the counter is before it."""
    if row.drum_start_m is None:
        return None
    return max(row.line_metre + line.counter_m - line.take_up_m - row.drum_start_m, 0.0)


def time_to_drum_change_s(wound_m: float | None, planned_m: float | None, speed_m_per_s: float) -> float | None:
    """Time until the planned length is on the drum at the present speed; None where the line does not approach it."""
    if wound_m is None or planned_m is None or speed_m_per_s <= 0.05:
        return None
    return max(planned_m - wound_m, 0.0) / speed_m_per_s


def ribbon_now(context: Context, line: Line, row: NowRow, before: Ribbon | None) -> Ribbon | None:
    """Runs of the present drum; what is wound but not judged is left out.

    `before` is what was known last: only its newest metres are read again, and all of them every half minute, since
    late data may judge any.
    """
    wound = drum_metre(line, row)
    if row.drum_start_m is None or wound is None:
        return None
    now_ms, same = context.now_ms, before is not None and before.filling == row.filling
    since, kept, read_whole_ms = 0.0, [], now_ms
    if before is not None and same and 0 <= now_ms - before.read_whole_ms < WHOLE_MS:
        since, read_whole_ms = min(max(before.wound_m - AGAIN_M, 0.0), wound), before.read_whole_ms
        kept = [Run(r.start_m, min(r.end_m, since), r.verdict) for r in before.own if r.start_m < since]
    begin, end = row.drum_start_m + since, row.drum_start_m + wound
    first, verdicts = context.record.verdicts(line.line, begin, end)
    newer = [Run(r.start_m + since, r.end_m + since, r.verdict) for r in verdict_runs.runs(first, verdicts, begin, end)]
    own = verdict_runs.joined([*kept, *newer])
    more = as_runs(inherited_faults(context, line.line, row.filling)) if row.filling is not None else []
    return Ribbon(
        filling=row.filling, wound_m=wound, own=own, runs=verdict_runs.laid_over(own, more), read_whole_ms=read_whole_ms
    )


def shown(context: Context, line: Line, since_ms: int, now_ms: int) -> dict[str, StreamNow]:
    """Newest samples of each stream of a line after `since_ms`, two a second at most."""
    newest = context.record.newest_ms(line.line)
    return {path: _stream(context, line, path, since_ms, now_ms, newest) for path in shown_streams(line)}


def _stream(context: Context, line: Line, path: str, since: int, now_ms: int, newest: Mapping[str, int]) -> StreamNow:
    settings = line.streams[path]
    stream = Stream(line.line, settings.station, settings.quantity)
    trend = downsample.live(context.record.samples(stream, since + 1, now_ms + 60_000))
    last = trend.v[-1] if len(trend.v) else None
    return {
        "t": trend.t_ms.tolist(),
        "v": [round(float(v), 4) for v in trend.v],
        "newest": newest.get(path),
        "last": None if last is None else round(float(last), 4),
        "old_after_s": old_after_s(settings),
    }


def old_after_s(settings: StreamSettings) -> float:
    """Age at which a value is shown as old: the stream's own rule, else five intervals, never under 5 s."""
    return settings.missing_after_s or max(QUIET_S, 5.0 * (settings.interval_s or 0.0))
