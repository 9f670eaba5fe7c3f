"""Builds the MQTT messages of the page Limits: propose, decide, restore."""

from collections.abc import Iterable
from typing import Literal, cast

from dashboard.actions.operator import RejectedActionError, entered_text, send, who
from dashboard.context import Context
from monitor.contract.config.limits import Changes, LimitsError, beyond_instruments, same_person, with_limits
from monitor.contract.messages import LimitsStep

MAY = "change limits"
SENT = {"approve": "Approval", "refuse": "Rejection", "withdraw": "Withdrawal"}
NAMELESS = "it is required to change limits."


def propose(
    context: Context,
    lines: Iterable[str],
    recipe: str,
    changes: Changes,
    by: str | None,
    reason: str | None,
    words: str,
) -> str:
    """Propose changes of a recipe on some lines; returns the message for the page."""
    name, why = who(by, MAY, NAMELESS), entered_text(reason)
    if not changes:
        raise RejectedActionError("Change a limit first.")
    if not why:
        raise RejectedActionError("Enter a reason: the second person needs it to approve.")
    if not words:
        raise RejectedActionError("Rehearse these limits first: the proposal includes the result.")
    lines = list(lines)
    for line in lines:
        _possible(context, line, recipe, changes)
    for line in lines:
        n, t_ms = context.numbering.next()
        base = context.recipes(line)[recipe].revision
        proposal = LimitsStep(
            n=n, t=t_ms, step="propose", recipe=recipe, by=name, proposal=f"{line}-{t_ms}", base=base,
            changes=dict(changes), reason=why, rehearsal=words[:4000],
        )  # fmt: skip
        send(context, line, proposal)
    return "Proposed. A second person must approve it below."


def _possible(context: Context, line: str, recipe: str, changes: Changes) -> None:
    """RejectedActionError for invalid limits and for limits that the line's instruments cannot measure."""
    try:
        wanted = with_limits(context.recipes(line)[recipe], changes)
    except LimitsError as error:
        raise RejectedActionError(str(error)) from error
    for key, problem in beyond_instruments(wanted, context.configuration.lines[line]).items():
        if key in changes:
            raise RejectedActionError(f"{key}: {problem}.")


def decide(
    context: Context, line: str, recipe: str, proposal: str, step: str, by: str | None, reason: str | None
) -> str:
    """Approve, refuse or withdraw a proposal; the monitor ensures that nobody approves their own."""
    name = who(by, MAY, NAMELESS)
    if step not in SENT:
        raise RejectedActionError(f"Unknown step {step!r}.")
    known = next((p for p in context.record.proposals() if (p.line, p.proposal) == (line, proposal)), None)
    if step == "approve" and known is not None and same_person(name, known.by):
        raise RejectedActionError(f"{known.by} proposed it: a second person must approve it.")
    n, t_ms = context.numbering.next()
    decision = LimitsStep(
        n=n, t=t_ms, step=cast(Literal["approve", "refuse", "withdraw"], step), recipe=recipe, by=name,
        proposal=proposal, reason=entered_text(reason),
    )  # fmt: skip
    send(context, line, decision)
    return f"{SENT[step]} sent, awaiting confirmation."


def go_back(context: Context, line: str, recipe: str, to: int, by: str | None, reason: str | None) -> str:
    """Put an earlier revision in force again, under a new number."""
    name = who(by, MAY, NAMELESS)
    n, t_ms = context.numbering.next()
    send(
        context,
        line,
        LimitsStep(n=n, t=t_ms, step="go back", recipe=recipe, by=name, to=to, reason=entered_text(reason)),
    )
    return "Sent, awaiting confirmation."
