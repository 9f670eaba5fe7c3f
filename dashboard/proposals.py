"""From what a person typed on the page Limits to the messages that propose, decide and go back."""

from collections.abc import Iterable
from typing import Any, cast

from dashboard.context import Context
from dashboard.entry import present
from dashboard.gateway import NotSentError
from monitor.contract.limits import Changes, same_person
from monitor.contract.messages import LimitsStep

MAY = "change limits"


class NotDoneError(Exception):
    """Why nothing was sent, in a sentence."""


def who(typed: str | None) -> str:
    """The name that an act bears: the account's where there are accounts. Raises NotDoneError."""
    person = present()
    if person is not None:
        if not person.may(MAY):
            raise NotDoneError(f"The account {person.name} may {person.role}, not {MAY}.")
        return person.name
    name = (typed or "").strip()[:80]
    if not name:
        raise NotDoneError("Give your name: limits are changed by no one without one.")
    return name


def propose(
    context: Context,
    lines: Iterable[str],
    recipe: str,
    changes: Changes,
    by: str | None,
    reason: str | None,
    words: str,
) -> str:
    """Propose changes of a recipe on some lines; returns what to say."""
    name, why = who(by), (reason or "").strip()[:400]
    if not changes:
        raise NotDoneError("Change a limit first.")
    if not why:
        raise NotDoneError("Give a reason: whoever approves must know why.")
    if not words:
        raise NotDoneError("Rehearse these limits first: the proposal carries what they would have done.")
    for line in lines:
        n, t_ms = context.numbering.next()
        base = context.recipes(line)[recipe].revision
        _send(context, line, LimitsStep(
            n, t_ms, "propose", recipe, name, f"{line}-{t_ms}", base, dict(changes), None, why, words[:4000]
        ))  # fmt: skip
    return "Proposed. A second person must approve it below."


def decide(
    context: Context, line: str, recipe: str, proposal: str, step: str, by: str | None, reason: str | None
) -> str:
    """Approve, refuse or withdraw a proposal; the monitor holds that nobody approves their own."""
    name = who(by)
    if step not in ("approve", "refuse", "withdraw"):
        raise NotDoneError(f"There is no step {step!r}.")
    known = next((p for p in context.record.proposals() if (p.line, p.proposal) == (line, proposal)), None)
    if step == "approve" and known is not None and same_person(name, known.by):
        raise NotDoneError(f"{known.by} proposed it: a second person must approve it.")
    n, t_ms = context.numbering.next()
    _send(
        context, line, LimitsStep(n, t_ms, cast(Any, step), recipe, name, proposal, reason=(reason or "").strip()[:400])
    )
    return f"{step.capitalize()} sent, waiting for the monitor."


def go_back(context: Context, line: str, recipe: str, to: int, by: str | None, reason: str | None) -> str:
    """Put an earlier revision in force again, under a new number."""
    name = who(by)
    n, t_ms = context.numbering.next()
    _send(context, line, LimitsStep(n, t_ms, "go back", recipe, name, to=to, reason=(reason or "").strip()[:400]))
    return "Sent, waiting for the monitor."


def _send(context: Context, line: str, step: LimitsStep) -> None:
    try:
        context.gateway.send(line, step)
    except NotSentError as error:
        raise NotDoneError(str(error)) from error
