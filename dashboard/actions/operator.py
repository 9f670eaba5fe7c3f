"""Builds the MQTT message for an operator action: alarm response, maintenance entry, handover, decision, resistance."""

from typing import Literal, TypedDict, cast

from dashboard.context import Context
from dashboard.gateway import NotSentError
from dashboard.queries.alarm_list import find
from dashboard.web.sign_in import present
from monitor.contract import bounds
from monitor.contract.messages import Action, LimitsStep
from monitor.contract.reading import AlarmRow

SHELVE_MIN = {"15": "15 minutes", "60": "1 hour", "240": "4 hours", "480": "8 hours"}
Response = Literal["acknowledge", "shelve", "unshelve"]
REASON_MOST = 400
NAME_MOST = 80


class SentAction(TypedDict):
    """What the browser remembers of a response until the record shows it."""

    key: str
    action: str
    t: int
    state: str


class RejectedActionError(Exception):
    """Why nothing was sent, in a sentence."""


def who(typed: str | None, may: str, nameless: str) -> str:
    """The name under which an action is recorded: the account's where there are accounts, else the one typed.

    Raises RejectedActionError where the account may not do it (`may` is the role it takes), or, with `nameless`,
    where there is no name.
    """
    person = present()
    if person is not None:
        if not person.may(may):
            raise RejectedActionError(f"The account {person.name} has the role '{person.role}'; '{may}' is required.")
        return person.name
    name = entered_text(typed, NAME_MOST)
    if not name:
        raise RejectedActionError(f"Enter your name: {nameless}")
    return name


def entered_text(text: str | None, most: int = REASON_MOST) -> str:
    """The entered text, stripped. Raises RejectedActionError where it is longer than `most` characters."""
    words = (text or "").strip()
    if len(words) > most:
        raise RejectedActionError(f"Shorten the text to {most} characters: it has {len(words)}. Nothing was sent.")
    return words


def send(context: Context, line: str, message: Action | LimitsStep) -> None:
    """Publish; raises RejectedActionError where the broker did not take it."""
    try:
        context.gateway.send(line, message)
    except NotSentError as error:
        raise RejectedActionError(str(error)) from error


def send_response(
    context: Context, key: str, action: str, by: str | None, reason: str | None, minutes: str | None
) -> SentAction:
    """Publish one response to an alarm; returns what to keep until it is confirmed. Raises RejectedActionError."""
    name, why = who(by, "answer alarms", "it is required."), entered_text(reason)
    if action == "shelve" and not why:
        raise RejectedActionError("Enter a reason: others must know why this alarm is shelved.")
    if action == "shelve" and minutes not in SHELVE_MIN:
        raise RejectedActionError("Choose a duration.")
    alarm = find(context, key)
    if alarm is None:
        raise RejectedActionError("This alarm has changed since you opened it. Close the form and open it again.")
    message = action_of(context, alarm, cast(Response, action), name, why, int(minutes or 0))
    send(context, alarm.line, message)
    return {"key": key, "action": action, "t": message.t, "state": alarm.state}


def note_work(context: Context, line: str, station: str | None, by: str | None, done: str | None) -> None:
    """Record maintenance at a station. Raises RejectedActionError."""
    name, what = who(by, "answer alarms", "it is required for the log entry."), entered_text(done)
    if station not in context.configuration.lines[line].stations:
        raise RejectedActionError("Choose where it was done.")
    if not what:
        raise RejectedActionError("Enter what was done.")
    n, t_ms = context.numbering.next()
    send(context, line, Action(n=n, t=t_ms, action="note work", by=name, reason=what, station=station))


def hand_over(context: Context, by: str | None, words: str | None) -> None:
    """Sign a note for the next shift; it is kept with the first line of the works. Raises RejectedActionError."""
    name, text = who(by, "answer alarms", "it is required to sign."), entered_text(words, bounds.WORDS)
    if not text:
        raise RejectedActionError("Enter the handover note, or that there is nothing to hand over.")
    n, t_ms = context.numbering.next()
    send(context, min(context.configuration.lines), Action(n=n, t=t_ms, action="hand over", by=name, reason=text))


def sign_record(
    context: Context, line: str, filling: int, decision: str | None, by: str | None, reason: str | None
) -> None:
    """An authorised person's decision on a drum, for the audit trail. Raises RejectedActionError."""
    name, why = who(by, "change limits", "it is required to sign."), entered_text(reason)
    found = context.record.drum(line, filling)
    if found is None or decision not in ("release", "hold", "scrap"):
        raise RejectedActionError("Choose a decision.")
    if found.end_m is None:
        raise RejectedActionError("The drum is still being wound; no decision is possible yet.")
    if not why:
        raise RejectedActionError("Enter a reason; it is stored in the audit trail.")
    n, t_ms = context.numbering.next()
    signed = Action(
        n=n, t=t_ms, action="sign record", by=name, reason=why, start_m=found.start_m, end_m=found.end_m,
        drum=found.drum, decision=cast(Literal["release", "hold", "scrap"], decision),
    )  # fmt: skip
    send(context, line, signed)


def note_resistance(context: Context, line: str, filling: int, ohm: object, at_C: object, by: str | None) -> None:
    """Record the conductor resistance of a finished drum. Raises RejectedActionError."""
    name = who(by, "answer alarms", "it is required.")
    found = context.record.drum(line, filling)
    if found is None or found.end_m is None:
        raise RejectedActionError("The drum is still being wound: measure it when it is finished.")
    if not isinstance(ohm, int | float) or ohm <= 0:
        raise RejectedActionError("Enter the resistance in ohm over the whole length, above 0.")
    if not isinstance(at_C, int | float) or not -50 <= at_C <= 150:
        raise RejectedActionError("Enter the conductor's temperature, -50 to 150 \N{DEGREE SIGN}C.")
    n, t_ms = context.numbering.next()
    noted = Action(
        n=n, t=t_ms, action="note resistance", by=name, start_m=found.start_m, end_m=found.end_m,
        drum=found.drum, recipe=found.recipe, ohm=float(ohm), at_C=float(at_C),
    )  # fmt: skip
    send(context, line, noted)


def action_of(context: Context, alarm: AlarmRow, action: Response, by: str, reason: str, minutes: int) -> Action:
    """The message: it names the one activation that was answered, so that a late response hits no other."""
    n, t_ms = context.numbering.next()
    until = t_ms + minutes * 60_000 if action == "shelve" else None
    return Action(
        n=n, t=t_ms, action=action, by=by, reason=reason, alarm=alarm.alarm, occurrence=alarm.occurrence_ms, until=until
    )
