"""Builds the MQTT messages that mark metres of a drum and withdraw a mark."""

import math
from typing import Literal

from dashboard.actions.operator import RejectedActionError, entered_text, send, who
from dashboard.context import Context
from dashboard.text.format import exact, quantity
from monitor.contract.messages import Action
from monitor.contract.reading import DrumRow
from monitor.contract.record import WITHDRAWN, Finding, FindingKind
from monitor.evidence.source import length_m

Kind = Literal["suspect", "repaired", "concession", "comment"]
KINDS: dict[Kind, str] = {
    "suspect": "Suspect", "repaired": "Repaired", "concession": "Concession", "comment": "Comment"
}  # fmt: skip
WANTED: dict[Kind, str] = {
    "suspect": "what is suspect about these metres", "repaired": "what was done and the test after it",
    "concession": "who allowed what", "comment": "the comment",
}  # fmt: skip


def mark_metres(
    context: Context, line: str, filling: int, kind: str | None, from_m: object, to_m: object, by: str | None,
    reason: str | None,
) -> None:  # fmt: skip
    """Mark drum metres `from_m` to `to_m` as `kind`. Raises RejectedActionError."""
    name, why = who(by, "answer alarms", "it is stored with the mark."), entered_text(reason)
    drum = context.record.drum(line, filling)
    if kind not in KINDS:
        raise RejectedActionError("Choose what the mark says.")
    if drum is None:
        raise RejectedActionError("This drum is not on record any more. Open it again from Drums.")
    length = length_m(context, drum)
    span = _number(from_m), _number(to_m)
    if not 0 <= span[0] < span[1] <= math.ceil(length):
        raise RejectedActionError(
            f"Enter drum metres from 0 to {exact(math.ceil(length))}, the first below the second: drum {drum.drum} is "
            f"{quantity(length, 'm')} long."
        )
    if not why:
        raise RejectedActionError(f"Enter {WANTED[kind]}; it is shown with the mark.")
    n, t_ms = context.numbering.next()
    start_m, end_m = drum.start_m + span[0], drum.start_m + min(span[1], length)
    marked = Action(
        n=n, t=t_ms, action="mark metres", by=name, reason=why, start_m=start_m, end_m=end_m,
        drum=drum.drum, mark=None if kind == "suspect" else kind,
    )  # fmt: skip
    send(context, line, marked)


def withdraw(context: Context, line: str, filling: int, key: str | None, by: str | None, reason: str | None) -> None:
    """Withdraw a mark on a drum. Raises RejectedActionError."""
    name, why = who(by, "answer alarms", "it is stored in the audit trail."), entered_text(reason)
    drum = context.record.drum(line, filling)
    found = next((mark for mark in marks_on(context, drum) if mark.key == key), None) if drum else None
    if found is None:
        raise RejectedActionError("Choose a mark on this drum that is not withdrawn yet.")
    if not why:
        raise RejectedActionError("Enter why the mark is withdrawn.")
    n, t_ms = context.numbering.next()
    marked_ms = round(found.start_s * 1e3)
    send(
        context, line,
        Action(n=n, t=t_ms, action="withdraw mark", by=name, reason=why, start_m=found.start_m, end_m=found.end_m,
               occurrence=marked_ms),
    )  # fmt: skip


def marks_on(context: Context, drum: DrumRow) -> list[Finding]:
    """Marks of people on metres of a drum that are not withdrawn, by place."""
    end_m = math.inf if drum.end_m is None else drum.end_m
    found = context.record.findings(drum.line, drum.start_m, end_m)
    return [f for f in found if f.kind is FindingKind.MARK and f.check != WITHDRAWN]


def _number(typed: object) -> float:
    """What was typed into a number field; NaN where it is empty or no number."""
    return float(typed) if isinstance(typed, int | float) else math.nan
