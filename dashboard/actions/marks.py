"""Builds the MQTT message that marks metres of a drum as suspect."""

import math

from dashboard.actions.operator import RejectedActionError, entered_text, send, who
from dashboard.context import Context
from dashboard.text.format import exact, quantity
from monitor.contract.messages import Action
from monitor.evidence.source import length_m


def mark_metres(
    context: Context, line: str, filling: int, from_m: object, to_m: object, by: str | None, reason: str | None
) -> None:
    """Mark drum metres `from_m` to `to_m` as suspect. Raises RejectedActionError."""
    name, why = who(by, "answer alarms", "it is stored with the mark."), entered_text(reason)
    drum = context.record.drum(line, filling)
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
        raise RejectedActionError("Enter what is suspect about these metres; it is shown with the mark.")
    n, t_ms = context.numbering.next()
    start_m, end_m = drum.start_m + span[0], drum.start_m + min(span[1], length)
    send(
        context,
        line,
        Action(n=n, t=t_ms, action="mark metres", by=name, reason=why, start_m=start_m, end_m=end_m, drum=drum.drum),
    )


def _number(typed: object) -> float:
    """What was typed into a number field; NaN where it is empty or no number."""
    return float(typed) if isinstance(typed, int | float) else math.nan
