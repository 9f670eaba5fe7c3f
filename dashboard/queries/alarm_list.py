"""The alarm list and its history as plain values for JSON: the browser draws them, and only what has changed."""

from collections.abc import Mapping, Sequence

from dashboard.context import Context
from dashboard.queries.live import UNACKNOWLEDGED
from dashboard.text import alarm_text, format
from dashboard.text.addresses import way_to
from monitor.contract.config.line import Response
from monitor.contract.reading import AlarmRow, DrumRow

HOUR_MS = 3_600_000
SPANS_H = {"8 h": 8, "24 h": 24, "7 days": 168}
PAGE_ROWS = 20
RANK = {"unacknowledged": 0, "returned to normal unacknowledged": 1, "acknowledged": 2}
SHORT = {"returned to normal unacknowledged": "returned to normal, unacknowledged"}


def key_of(alarm: AlarmRow) -> str:
    """Names one activation of one alarm."""
    return f"{alarm.line}|{alarm.alarm}|{alarm.occurrence_ms}"


def find(context: Context, key: str) -> AlarmRow | None:
    """The alarm of a key, if it is still open."""
    return next((a for a in context.record.alarms_now() if key_of(a) == key), None)


def standing(context: Context) -> list[AlarmRow]:
    """Most urgent first: unacknowledged before acknowledged, high before low, newest first."""
    return sorted(
        context.record.alarms_now(),
        key=lambda a: (RANK.get(a.state, 3), -alarm_text.ORDER.get(a.priority, 0), -a.occurrence_ms),
    )


def now(context: Context, since_ms: int | None) -> dict[str, object]:
    """Keys of all open alarms with their versions, most urgent first, and the rows that changed at `since_ms` or later.

    A browser that then lacks a row (a line may report late) asks again without `since_ms` and gets them all.
    """
    alarms = standing(context)
    changed = [a for a in alarms if since_ms is None or a.t_ms >= since_ms]
    drums = {name: _drums_of([a for a in changed if a.line == name], context) for name in {a.line for a in changed}}
    return {
        "order": [[key_of(a), _version(a)] for a in alarms],
        "newest": max((a.t_ms for a in alarms), default=0),
        "rows": {key_of(a): _row(context, a, drums[a.line]) for a in changed},
    }


def history(context: Context, hours: int, page: int, until_ms: int | None) -> dict[str, object]:
    """One page of the changes of the last `hours`, newest first, and how many there are.

    `until_ms` keeps older pages where they were while new changes come in.
    """
    end = min(until_ms or context.now_ms + 60_000, context.now_ms + 60_000)
    start = end - hours * HOUR_MS
    changes = context.record.alarm_changes(None, start, end, PAGE_ROWS, page * PAGE_ROWS)
    total = context.record.count_alarm_changes(None, start, end)
    rows = [_change(context, a) for a in changes]
    return {"rows": rows, "total": total, "page": page, "size": PAGE_ROWS, "until": end}


def where(alarm: AlarmRow, drums: Sequence[DrumRow]) -> dict[str, str]:
    """Drum metre of an activation, with the address of its drum; a line metre where no drum is known."""
    if alarm.line_metre is None:
        return {"text": format.NO_VALUE}
    for drum in drums:
        if drum.start_m <= alarm.line_metre and (drum.end_m is None or alarm.line_metre < drum.end_m):
            at = format.number(alarm.line_metre - drum.start_m, "m")
            return {"drum": drum.drum, "href": way_to("drum", drum.line, drum.filling), "text": f" at {at} m"}
    return {"text": f"line metre {format.number(alarm.line_metre, 'm')}"}


def response_parts(response: Response) -> list[list[str]]:
    """(label, text) of an alarm's response; corrective action first, since it is what a person needs."""
    return [
        [f"Respond within {format.span(response.time_to_respond_s)}:", response.corrective_action],
        ["Cause", response.cause],
        ["Consequence", response.consequence],
    ]


def _version(alarm: AlarmRow) -> str:
    return f"{alarm.t_ms}={alarm.state}"


def _drums_of(alarms: Sequence[AlarmRow], context: Context) -> Sequence[DrumRow]:
    """The drums that hold any of the metres at which these alarms of one line were activated."""
    metres = [a.line_metre for a in alarms if a.line_metre is not None]
    return context.record.drums_between(alarms[0].line, min(metres), max(metres) + 0.001) if metres else ()


def _row(context: Context, alarm: AlarmRow, drums: Sequence[DrumRow]) -> dict[str, object]:
    text = alarm_text.text_of(alarm, context.configuration)
    return {
        "version": _version(alarm),
        "t": alarm.t_ms,
        "state": alarm.state,
        "state_text": _state(context, alarm),
        "unacknowledged": alarm.state in UNACKNOWLEDGED,
        "priority": alarm.priority,
        "line": _line(context, alarm),
        "title": text.title,
        "value": _value(alarm),
        "limit": format.quantity(alarm.limit, alarm.unit),
        "since": format.local(alarm.occurrence_ms, context.zone),
        "occurrence": alarm.occurrence_ms,
        "where": where(alarm, drums),
        "response": response_parts(text.response) if text.response else [],
    }


def _change(context: Context, a: AlarmRow) -> Mapping[str, str]:
    return {
        "when": format.local(a.t_ms, context.zone, day=True),
        "line": _line(context, a),
        "priority": a.priority,
        "what": alarm_text.text_of(a, context.configuration).title,
        "event": a.event,
        "after": SHORT.get(a.state, a.state),
        "value": _value(a),
        "recipe": f"{a.recipe}, {a.revision}" if a.recipe else "",
        "by": a.by,
        "reason": a.reason,
    }


def _line(context: Context, alarm: AlarmRow) -> str:
    found = context.configuration.lines.get(alarm.line)
    return found.title if found else alarm.line


def _value(alarm: AlarmRow) -> str:
    return format.NO_VALUE if alarm.unit == "count" else format.quantity(alarm.value, alarm.unit)


def _state(context: Context, alarm: AlarmRow) -> str:
    text = SHORT.get(alarm.state, alarm.state)
    if alarm.state == "shelved" and alarm.until_ms:
        text += f" until {format.local(alarm.until_ms, context.zone)}"
    if alarm.by:
        text += f" by {alarm.by}"
    return text
