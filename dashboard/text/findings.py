"""Findings as text."""

from dashboard.text import alarm_text, format
from monitor.contract.config import titles
from monitor.contract.config.line import Line
from monitor.contract.record import WITHDRAWN, Finding, FindingKind

MARKS = {
    "repaired": "Repair recorded", "concession": "Concession recorded", "comment": "Comment",
    WITHDRAWN: "Mark withdrawn",
}  # fmt: skip


def sentence(finding: Finding, line: Line) -> str:
    """A finding as text."""
    if finding.kind is FindingKind.MARK:
        return f"{MARKS.get(finding.check, 'Marked')} by {alarm_text.signed(finding)}"
    if finding.kind is FindingKind.INHERITED:
        return f"Inherited {finding.text}"
    if finding.kind is FindingKind.RESISTANCE:
        measured = format.quantity(finding.extreme, finding.unit)
        return f"Conductor resistance {measured}, recorded by {alarm_text.signed(finding)}"
    if finding.kind is FindingKind.DWELL:
        zone = titles.inside(titles.station_title(line, finding.stream.split("/")[0]))
        return f"Dwell in {zone} too {finding.check}: {_worst(finding)}"
    if finding.kind is FindingKind.CURE:
        return _cure_sentence(finding)
    title = titles.stream_title(line, finding.stream)
    if finding.kind is FindingKind.MISSING:
        return f"{title}: no data"
    if finding.kind is FindingKind.STUCK:
        return f"{title}: reading frozen"
    if finding.kind is FindingKind.WINDOW:
        return f"{title} {alarm_text.LIMIT_WORDS.get(finding.check, finding.check)}: {_worst(finding)}"
    return titles.event_title(line, finding.stream, finding.check)


def _cure_sentence(finding: Finding) -> str:
    text = alarm_text.cure_text(finding.stream, finding.check, finding.limit, finding.unit)
    worst = "" if finding.extreme is None else f" (worst {format.number(finding.extreme, finding.unit, 2)})"
    return f"{text}{worst}" + (f", {finding.text}" if finding.text else "")


def _worst(finding: Finding) -> str:
    worst = format.quantity(finding.extreme, finding.unit)
    return f"{worst} (limit {format.quantity(finding.limit, finding.unit)})"
