"""The record of one drum on paper: what is known of its metres, what stands against release, a signature."""

from typing import Any

import numpy as np
from dash import html

from dashboard import words
from dashboard.context import Context
from dashboard.pages.drum import revisions
from dashboard.pages.drums import drum_runs, length_m
from dashboard.views import attributes
from dashboard.views.ribbon import ribbon
from dashboard.views.table import table
from monitor.analysis.counts import rate_per_km
from monitor.analysis.drum_facts import spark_exposure_s
from monitor.analysis.release import coverage, propose
from monitor.contract.config import Line
from monitor.contract.reading import DrumRow
from monitor.contract.record import Verdict


def record(context: Context, drum: DrumRow) -> dict[str, Any]:
    """Everything that the record of a drum says, as plain values: the page shows it, the api gives it as JSON."""
    line = context.configuration.lines[drum.line]
    recipe = context.recipe(drum.line, drum.recipe, drum.revision)
    length = length_m(context, drum)
    end = drum.start_m + length
    rows = context.record.rows(drum.line, drum.start_m, end)
    findings = list(context.record.findings(drum.line, drum.start_m, end))
    required = [s.path for s in line.stream if s.required and s.kind == "samples" and s.path in rows]
    seen = coverage(rows, required)
    events = [f for f in findings if f.kind == "event"]
    until = drum.end_ms or context.now_ms
    changes = context.record.alarm_changes(drum.line, drum.start_ms, until, 5000)
    raised = [c for c in changes if c.event == "raised"]
    open_ = {(a.alarm, a.occurrence_ms) for a in context.record.alarms_now(drum.line) if "unacknowledged" in a.state}
    standing = sum((c.alarm, c.occurrence_ms) in open_ for c in raised)
    inner = rows.get("cure/index-inner")
    cure_known = not (recipe and recipe.cure) or (
        inner is not None and len(inner) > 0 and bool(np.isfinite(inner).all())
    )
    said = propose(drum.end_m is not None, drum.metres, seen, standing, cure_known)
    voltage = rows.get("spark-electrode/voltage")
    rate = rate_per_km(len(events), length) if length > 0 else None
    return {
        "drum": drum.drum, "line": drum.line, "recipe": drum.recipe, "revision": drum.revision,
        "revisions": revisions(context, drum, length), "length_m": length,
        "begun_ms": drum.start_ms, "ended_ms": drum.end_ms, "start_line_metre": drum.start_m,
        "end_line_metre": drum.end_m,
        "metres": {v.word: float(drum.metres.get(v.word) or 0.0) for v in Verdict},
        "seen_share": seen,
        "statistics": {n: _statistics(v) for n, v in rows.items() if _told(n, line.streams)},
        "spark_test": {
            "faults": len(events), "per_km": rate[0] if rate else None,
            "voltage_kV": _statistics(voltage) if voltage is not None else None,
            "exposure_least_s": spark_exposure_s(rows, line, "spark-electrode"),
        },
        "findings": [
            {"kind": f.kind, "stream": f.stream, "check": f.check, "verdict": f.verdict.word,
             "start_m": f.start_m - drum.start_m, "end_m": None if f.end_m is None else f.end_m - drum.start_m}
            for f in findings if f.verdict > Verdict.CONFORMING
        ],
        "alarms": {"raised": len(raised), "not_answered": standing},
        "answers": [
            {"alarm": c.alarm, "event": c.event, "by": c.by, "reason": c.reason, "t_ms": c.t_ms}
            for c in changes
            if c.by
        ],
        "journal_last_hash": context.record.journal_hash(drum.line),
        "proposed": said.word, "against": list(said.reasons),
    }  # fmt: skip


def _told(name: str, streams: Any) -> bool:
    return name.startswith("cure/") or (name in streams and streams[name].unit in ("mm", "degC"))


def _statistics(v: Any) -> dict[str, float] | None:
    good = np.asarray(v, float)
    good = good[np.isfinite(good)]
    if not len(good):
        return None
    return {
        "least": float(good.min()),
        "mean": float(good.mean()),
        "most": float(good.max()),
        "sigma": float(good.std()),
    }


def _title(line: Line, name: str) -> str:
    return name.replace("/", " ").replace("-", " ") if name.startswith("cure/") else words.stream_title(line, name)


def content(context: Context, drum: DrumRow) -> list[Any]:
    """The sheet: A4 when printed."""
    r = record(context, drum)
    length = r["length_m"]
    line = context.configuration.lines[drum.line]
    held = r["proposed"] == "hold"
    ended = words.local(drum.end_ms, context.zone, day=True) if drum.end_ms else "being wound"
    facts = [
        ("Works", context.configuration.works.title), ("Line", line.title), ("Drum", drum.drum),
        ("Recipe", r["revisions"]), ("Length", f"{words.metres(length)} m"),
        ("Wound", f"{words.local(drum.start_ms, context.zone, day=True)} to {ended}"),
        ("Line metre", f"{drum.start_m:,.1f} to {'' if drum.end_m is None else f'{drum.end_m:,.1f}'} m"),
        ("Journal", (r["journal_last_hash"] or "no entry")[:16]),
    ]  # fmt: skip
    lengths = [[w, f"{m:,.1f} m", f"{m / length:.2%}" if length else ""] for w, m in r["metres"].items()]
    seen = [[words.stream_title(line, p), f"{share:.2%}"] for p, share in r["seen_share"].items()]
    stats = [
        [_title(line, name), *(f"{found[k]:.4g}" for k in ("least", "mean", "most", "sigma"))]
        for name, found in r["statistics"].items()
        if found
    ]
    spark = r["spark_test"]
    volts = spark["voltage_kV"]
    tested = f"{spark['faults']} faults" + (f", {spark['per_km']:.3g} per km" if spark["per_km"] is not None else "")
    tested += f"; voltage {volts['least']:.2f} to {volts['most']:.2f} kV" if volts else "; no voltage on record"
    tested += (
        f"; at least {spark['exposure_least_s'] * 1e3:.0f} ms in the electrode" if spark["exposure_least_s"] else ""
    )
    return [
        html.Div([html.H1(f"Record of drum {drum.drum}")], className="top", **attributes(page="release")),
        html.P(f"Proposed by rule: {r['proposed']}." + (f" Against it: {'; '.join(r['against'])}." if held else ""),
               className=f"outcome{' bad' if held else ''}", id="release-proposed"),
        html.Dl([html.Div([html.Dt(k), html.Dd(v)]) for k, v in facts], className="facts"),
        html.Div(ribbon(drum_runs(context, drum, length), length, None, size="tall")),
        html.Div(
            [table("Metres by verdict", ["", "Length", "Share"], lengths, empty="", numeric=(1, 2)),
             table("Evidence: share of metres that each required stream saw", ["Stream", "Seen"], seen,
                   empty="No stream is required.", numeric=(1,))],
            className="beside-blocks",
        ),
        html.P(f"Spark test: {tested}."),
        table("Over its metres", ["", "Least", "Mean", "Most", "Sigma"], stats, empty="", numeric=(1, 2, 3, 4)),
        html.P(
            f"{r['alarms']['raised']} alarms were raised while it was wound, {r['alarms']['not_answered']} of them are "
            f"not answered; {len(r['answers'])} answers of people."
        ),
        html.P("This sheet advises. It releases nothing: an authorised person does, under the works' own rules.",
               className="release-caution"),
        html.Div([html.P("Decision"), html.P("Name"), html.P("Signature"), html.P("Date")], className="signature"),
    ]  # fmt: skip
