"""From what a person chose and typed to the message that tells the monitor."""

from typing import Any, Literal, cast

from dashboard.context import Context
from dashboard.entry import present
from dashboard.gateway import NotSentError
from dashboard.pages.alarms import SHELVE_MIN, find
from monitor.contract.messages import Action
from monitor.contract.reading import AlarmRow

Answer = Literal["acknowledge", "shelve", "unshelve"]


def send_answer(
    context: Context, key: str, action: str, by: str | None, reason: str | None, minutes: str | None
) -> dict[str, Any] | str:
    """Publish one answer; returns what to remember until the record shows it, or a sentence on why it was not sent."""
    person = present()
    if person is not None and not person.may("answer alarms"):
        return f"The account {person.name} may look, not answer alarms."
    name, why = person.name if person else (by or "").strip(), (reason or "").strip()
    if not name:
        return "Give your name: an answer without one is not taken."
    if action == "shelve" and not why:
        return "Give a reason: others must know why this alarm is shelved."
    if action == "shelve" and minutes not in SHELVE_MIN:
        return "Choose for how long."
    alarm = find(context, key)
    if alarm is None:
        return "This alarm has changed since you opened it. Close and look again."
    message = action_of(context, alarm, cast(Answer, action), name[:80], why[:400], int(minutes or 0))
    try:
        context.gateway.send(alarm.line, message)
    except NotSentError as error:
        return str(error)
    return {"key": key, "action": action, "t": message.t, "state": alarm.state}


class AnswerError(Exception):
    """Why nothing was sent, in a sentence."""


def note_work(context: Context, line: str, station: str | None, by: str | None, done: str | None) -> None:
    """Tell the monitor what was done at a station. Raises AnswerError."""
    person = present()
    if person is not None and not person.may("answer alarms"):
        raise AnswerError(f"The account {person.name} may look, not note work.")
    name, what = person.name if person else (by or "").strip()[:80], (done or "").strip()[:400]
    if not name:
        raise AnswerError("Give your name: work is noted by no one without one.")
    if station not in context.configuration.lines[line].stations:
        raise AnswerError("Choose where it was done.")
    if not what:
        raise AnswerError("Say what was done.")
    n, t_ms = context.numbering.next()
    try:
        context.gateway.send(line, Action(n, t_ms, "note work", name, what, station=station))
    except NotSentError as error:
        raise AnswerError(str(error)) from error


def hand_over(context: Context, by: str | None, said: str | None) -> None:
    """Sign words for the next shift; they stand with the first line of the works. Raises AnswerError."""
    person = present()
    if person is not None and not person.may("answer alarms"):
        raise AnswerError(f"The account {person.name} may look, not hand over.")
    name, text = person.name if person else (by or "").strip()[:80], (said or "").strip()[:400]
    if not name:
        raise AnswerError("Give your name: a handover without one is not signed.")
    if not text:
        raise AnswerError("Write what the next shift must know, or that there is nothing.")
    n, t_ms = context.numbering.next()
    try:
        context.gateway.send(min(context.configuration.lines), Action(n, t_ms, "hand over", name, text))
    except NotSentError as error:
        raise AnswerError(str(error)) from error


def action_of(context: Context, alarm: AlarmRow, action: Answer, by: str, reason: str, minutes: int) -> Action:
    """The message: it names the one raising that was answered, so that a late answer hits no other."""
    n, t_ms = context.numbering.next()
    until = t_ms + minutes * 60_000 if action == "shelve" else None
    return Action(n, t_ms, action, by, reason, alarm.alarm, alarm.occurrence_ms, until)
