"""What browsers fetch under `/api/v1`: live, trend, process history, health. A bad request gets 400 and a text."""

import gzip
import re
from collections.abc import Callable
from math import inf, nextafter
from urllib.parse import quote

import msgspec
from flask import Blueprint, Response, jsonify, request

from dashboard.context import Context
from dashboard.print.sheet import sheet_of
from dashboard.queries import alarm_list, downsample, live
from dashboard.queries.monitors import monitors, unmonitored
from dashboard.queries.process_history import process_history
from dashboard.text.addresses import is_number
from dashboard.text.troubles import troubles
from dashboard.web.metrics import METRICS_TYPE, metrics
from monitor.contract.config.line import Line
from monitor.contract.reading import DrumRow
from monitor.contract.record import LineEvent
from monitor.contract.topics import Stream
from monitor.evidence.inherited import lineage_of, related_metres
from monitor.evidence.release_record import record
from monitor.evidence.source import drum_meant, length_m
from monitor.evidence.whole_drum import whole_drum

POINTS_MAX = 10_000
SPAN_MAX_MS = 31 * 86_400_000
MS_MAX = 2**53
SMALL_BYTES = 1024  # below this compressing costs more than it saves


class BadQuestionError(Exception):
    """The request is invalid; the text says what was expected."""


def blueprint(context: Context) -> Blueprint:
    """The api as Flask routes, and the same status as metrics."""
    api = Blueprint("api", __name__, url_prefix="/api/v1")
    replies = {
        "live": live_reply,
        "alarms": alarms_reply,
        "alarm-changes": alarm_changes_reply,
        "events": events_reply,
        "trend": trend_reply,
        "process-history": process_history_reply,
        "health": health_reply,
        "release": release_reply,
        "traceability": traceability_reply,
    }
    for name, reply in replies.items():
        api.add_url_rule(f"/{name}", name, _answering(context, reply))
    api.add_url_rule("/release.pdf", "release_pdf", lambda: release_pdf(context))
    api.add_url_rule("/metrics", "metrics", lambda: Response(metrics(context), content_type=METRICS_TYPE))
    api.register_error_handler(BadQuestionError, lambda error: (jsonify(error=str(error)), 400))
    api.after_request(_not_kept)  # Flask runs them in the reverse order
    api.after_request(_small)
    return api


def _answering(context: Context, reply: Callable[[Context], dict[str, object]]) -> Callable[[], Response]:
    return lambda: jsonify(reply(context))


def _not_kept(response: Response) -> Response:
    """Responses with a tag may be cached and are revalidated each time (304 while unchanged)."""
    response.headers["Cache-Control"] = "no-cache" if "ETag" in response.headers else "no-store"
    return response


def _small(response: Response) -> Response:
    """Tagged by content, so that nothing is sent twice; compressed where the client accepts it."""
    if response.mimetype != "application/json" or response.status_code != 200:
        return response
    response.add_etag()
    response.make_conditional(request)
    if (
        response.status_code == 200
        and request.accept_encodings.quality("gzip") > 0
        and len(response.data) > SMALL_BYTES
    ):
        response.data = gzip.compress(response.data, compresslevel=1, mtime=0)
        response.headers["Content-Encoding"] = "gzip"
        response.vary.add("Accept-Encoding")
    return response


def live_reply(context: Context) -> dict[str, object]:
    """`line` (optional) is the one shown, `since` its newest sample in ms, `metres` the ribbon had: line:metre,..."""
    line = _line(context).line if "line" in request.args else None
    since = _whole("since", 0, MS_MAX) if "since" in request.args else None
    return live.answer(context, live.Question(line, since, metres(request.args.get("metres", ""), context)))


def alarms_reply(context: Context) -> dict[str, object]:
    """Open alarms with what to do; `since` (UTC ms, optional) leaves out rows that changed before."""
    return alarm_list.now(context, _whole("since", 0, MS_MAX) if "since" in request.args else None)


def alarm_changes_reply(context: Context) -> dict[str, object]:
    """One page of changes: `hours` back, `page` from 0, `until` (UTC ms, optional) where an older page ended."""
    until = _whole("until", 0, MS_MAX) if "until" in request.args else None
    return alarm_list.history(context, _whole("hours", 1, 24 * 31, 8), _whole("page", 0, 10**6, 0), until)


def events_reply(context: Context) -> dict[str, object]:
    """Events of a `line` that go on or wait for an answer, most urgent first; times are UTC ms."""
    line = _line(context)
    return {"t": context.now_ms, "events": [_event(line, e) for e in context.record.events_open(line.line)]}


def _event(line: Line, e: LineEvent) -> dict[str, object]:
    kinds = {kind.name: kind.title for kind in line.event_kinds}
    return {
        "line": e.line, "event": e.event, "kind": e.kind, "title": kinds.get(e.kind, e.kind),
        "priority": e.priority.value, "asks": e.asks, "start": round(e.start_s * 1e3),
        "end": None if e.end_s is None else round(e.end_s * 1e3), "start_m": e.start_m, "end_m": e.end_m,
        "faults": e.faults, "spacing_m": e.spacing_m, "answered_by": e.answered_by,
        "alarms": [
            {"alarm": m.alarm, "occurrence": round(m.occurrence_s * 1e3), "raised": m.raised} for m in e.members
        ],
    }  # fmt: skip


def health_reply(context: Context) -> dict[str, object]:
    """Status and problems of each monitor, and the lines that none reports.

    `well` is false with any problem or such a line, or where no monitor has reported.
    """
    rows, without = monitors(context), list(unmonitored(context))
    reports = [
        {"monitor": r.monitor, "t": r.t_ms, "lag_s": r.lag_s, "queue": r.queue, "last_commit": r.last_commit_ms,
         "disk_free_bytes": r.disk_free_bytes, "messages": r.messages, "rejected": dict(r.rejected),
         "troubles": troubles(r, context.now_ms), "notes": list(r.notes)}
        for r in rows
    ]  # fmt: skip
    well = bool(reports) and not without and not any(m["troubles"] for m in reports)
    return {"t": context.now_ms, "monitors": reports, "unmonitored": without, "well": well}


def trend_reply(context: Context) -> dict[str, object]:
    """`stream` as line/station/quantity, `start` and `end` UTC ms, `points` about how many to return."""
    line, stream = _stream(context)
    start, end = _whole("start", -MS_MAX, MS_MAX), _whole("end", -MS_MAX, MS_MAX)
    points = _whole("points", 4, POINTS_MAX, 2000)
    if not start < end <= start + SPAN_MAX_MS:
        raise BadQuestionError(f"end must be after start by at most 31 days, got start={start} end={end}.")
    settings = line.streams[stream.path]
    trend = context.record.samples(stream, start, end)
    t, v = downsample.long(trend, points, break_after_ms(settings.interval_s))
    return {"stream": str(stream), "unit": settings.unit, "samples": len(trend.t_ms), "t": t, "v": v}


def break_after_ms(interval_s: float | None) -> float:
    """Gap that interrupts a drawn line: ten intervals, at least 2 s."""
    return max(2000.0, 10_000.0 * (interval_s or 0.0))


def process_history_reply(context: Context) -> dict[str, object]:
    """`line` and `metre` (line metre, of a drum on record): the way of that metre."""
    line, metre = _line(context), _number("metre")
    drum = drum_at(context, line.line, metre)
    if drum is None:
        raise BadQuestionError(f"no drum of line {line.line} on record holds line metre {metre}.")
    stops = process_history(context.record, line, drum, metre, context.now_ms)
    return {
        "line": line.line,
        "drum": drum.drum,
        "filling": drum.filling,
        "drum_metre": metre - drum.start_m,
        "stops": [
            {
                "place": s.place,
                "position_m": s.position_m,
                "came_ms": s.came_ms,
                "left_ms": s.left_ms,
                "dwell_s": s.dwell_s,
                "values": [
                    {
                        "title": v.title,
                        "unit": v.unit,
                        "mean": _sound(v.mean),
                        "least": _sound(v.least),
                        "most": _sound(v.most),
                    }
                    for v in s.values
                ],
            }
            for s in stops
        ],
    }


def release_reply(context: Context) -> dict[str, object]:
    """`line` and `filling`, or `drum` for the newest of that name: the drum's record as its sheet shows it."""
    reply: dict[str, object] = msgspec.to_builtins(record(context, whole_drum(context, _drum(context))))
    return reply


def release_pdf(context: Context) -> Response:
    """The same on A4."""
    drum = _drum(context)
    whole = whole_drum(context, drum)
    from dashboard.print.pdf import pdf  # here: its import would delay the start of the pages

    printed = pdf(sheet_of(context, record(context, whole)), whole)
    named = {"Content-Disposition": f'inline; filename="{quote(drum.drum, safe="")}.pdf"'}
    return Response(printed, mimetype="application/pdf", headers=named)


def traceability_reply(context: Context) -> dict[str, object]:
    """`line`, `filling` or `drum`, and `start`, `end` (drum metres, optional): every drum that shares that cable."""
    drum = _drum(context)
    length = length_m(context, drum)
    start = _number("start") if "start" in request.args else 0.0
    end = _number("end") if "end" in request.args else length
    if not 0 <= start < end:
        raise BadQuestionError(f"expected 0 <= start < end, got start={start:g} end={end:g}.")
    found = related_metres(lineage_of(context), drum, start, min(end, length))
    return {
        "drum": drum.drum, "filling": drum.filling, "line": drum.line, "start_m": start, "end_m": min(end, length),
        "related": [
            {"drum": k.name, "filling": k.drum.filling if k.drum else None, "line": k.drum.line if k.drum else None,
             "generation": k.generation, "start_m": k.start_m, "end_m": k.end_m}
            for k in found
        ],
    }  # fmt: skip


def _drum(context: Context) -> DrumRow:
    line, name = _line(context), request.args.get("drum", "")
    number = request.args.get("filling")
    if number is not None:
        found = drum_meant(context, line.line, filling=int(number)) if is_number(number) else None
        what = f"filling {number[:20]!r}"
    else:
        found, what = drum_meant(context, line.line, name=name), f"drum {name[:80]!r}"
    if found is None:
        raise BadQuestionError(f"no {what} of line {line.line} on record.")
    return found


def drum_at(context: Context, line: str, line_metre: float) -> DrumRow | None:
    """The drum of a line that holds a line metre, however old."""
    return next(iter(context.record.drums_between(line, line_metre, nextafter(line_metre, inf))), None)


def metres(text: str, context: Context) -> dict[str, float]:
    """`core-1:1200,core-2:33.5` as metres by line; raises BadQuestionError."""
    found: dict[str, float] = {}
    for part in filter(None, text.split(",")):
        match = re.fullmatch(r"([a-z0-9-]+):(\d{1,9}(?:\.\d{1,6})?)", part)
        if not match or match[1] not in context.configuration.lines:
            raise BadQuestionError(f"metres: expected LINE:METRE with a line of this plant, got {part[:80]!r}.")
        found[match[1]] = float(match[2])
    return found


def _line(context: Context) -> Line:
    name = request.args.get("line", "")
    lines = context.configuration.lines
    if name not in lines:
        raise BadQuestionError(f"line: expected one of {', '.join(lines)}, got {name[:80]!r}.")
    return lines[name]


def _stream(context: Context) -> tuple[Line, Stream]:
    text = request.args.get("stream", "")
    name, _, path = text.partition("/")
    line = context.configuration.lines.get(name)
    if line is None or path not in line.streams:
        raise BadQuestionError(f"stream: expected LINE/STATION/QUANTITY of this plant, got {text[:120]!r}.")
    settings = line.streams[path]
    return line, Stream(name, settings.station, settings.quantity)


def _whole(key: str, least: int, most: int, default: int | None = None) -> int:
    text = request.args.get(key)
    if text is None and default is not None:
        return default
    if text is None or not re.fullmatch(r"-?\d{1,16}", text, re.ASCII) or not least <= int(text) <= most:
        raise BadQuestionError(f"{key}: expected a whole number from {least} to {most}, got {(text or '')[:40]!r}.")
    return int(text)


def _number(key: str) -> float:
    text = request.args.get(key, "")
    if not re.fullmatch(r"-?\d{1,12}(\.\d{1,9})?", text, re.ASCII):
        raise BadQuestionError(f"{key}: expected a number, got {text[:40]!r}.")
    return float(text)


def _sound(value: float) -> float | None:
    return value if value == value else None
