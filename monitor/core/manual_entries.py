"""Manual entries: marks, resistances and signed records as findings, responses to alarms as events."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from monitor.contract.config.recipe import Recipe
from monitor.contract.messages import Action
from monitor.contract.record import WITHDRAWN, Finding, FindingKind, Verdict
from monitor.core.alarms import AlarmEvent
from monitor.core.arrival import Message
from monitor.core.message_order import Released
from monitor.physics.resistance import most_ohm_per_km, to_20_C

M_PER_KM = 1000.0
KEPT = 500  # newest messages of people, to recognise repetitions
NOTES = {"note work": FindingKind.WORK, "hand over": FindingKind.HANDOVER}  # notes, kept at the cable that was there


@dataclass(slots=True)
class People:
    """The newest messages of people on one line. They are numbered by the clock, which shows no order and no gap."""

    known: dict[tuple[str, int, int], None] = field(default_factory=dict)

    def is_new(self, message: Message) -> bool:
        """Whether a message comes for the first time; it is known from then on."""
        number = (message.stream.path, message.start, message.n)
        if number in self.known:
            return False
        self.known[number] = None
        self.known = dict(list(self.known.items())[-KEPT:])
        return True


def alarm_response(one: Released, action: Action) -> AlarmEvent:
    """A person's response to an alarm takes effect when it arrives."""
    known_s = one.known_s if one.known_s > float("-inf") else action.t / 1e3
    shelve_for_s = (action.until - action.t) / 1e3 if action.until is not None else None
    occurrence_s = action.occurrence / 1e3 if action.occurrence is not None else None
    return AlarmEvent(
        known_s=known_s, seq=one.seq, t_s=action.t / 1e3, alarm=action.alarm or "", event=action.action,
        occurrence_s=occurrence_s, by=action.by, reason=action.reason, shelve_for_s=shelve_for_s,
        of_event=action.event or "",
    )  # fmt: skip


def note(line: str, t_s: float, line_metre: float, action: Action) -> Finding:
    """A person's action or note, at the cable that was there then."""
    kind = NOTES[action.action]
    return Finding(
        line=line,
        key=f"{kind}@{action.t}",
        kind=kind,
        stream=f"{action.station or 'line'}/{kind}",
        check=kind.value,
        verdict=Verdict.CONFORMING,
        start_m=line_metre,
        end_m=line_metre,
        start_s=t_s,
        end_s=t_s,
        extreme=None,
        limit=None,
        unit="",
        by=action.by,
        reason=action.reason,
    )


def mark(line: str, action: Action, _recipes: Mapping[str, Recipe]) -> Finding:
    """Metres that someone holds suspect, or for which a repair, a concession or a comment is recorded.

    Only a mark as suspect is a verdict: what was measured stays as it is, and a person decides by both.
    """
    if action.mark in (None, "suspect"):
        return _finding(line, action, FindingKind.MARK, "mark", Verdict.SUSPECT)
    return _finding(line, action, FindingKind.MARK, action.mark or "", Verdict.CONFORMING)


def withdrawn(line: str, action: Action, _recipes: Mapping[str, Recipe]) -> Finding:
    """A mark that is withdrawn: it replaces the mark; the audit trail has both."""
    found = _finding(line, action, FindingKind.MARK, WITHDRAWN, Verdict.CONFORMING)
    return replace(found, key=f"{FindingKind.MARK}@{action.occurrence}")


def resistance(line: str, action: Action, recipes: Mapping[str, Recipe]) -> Finding:
    """A conductor's resistance over a drum, at 20 degC and per km of cable, against the largest of IEC 60228."""
    per_km = _per_km(action)
    most = _most(recipes.get(action.recipe or ""))
    bad = per_km is not None and most is not None and per_km > most
    verdict = Verdict.NONCONFORMING if bad else Verdict.CONFORMING
    return _finding(line, action, FindingKind.RESISTANCE, "resistance", verdict, per_km, most, "ohm/km")


def decision(line: str, action: Action, _recipes: Mapping[str, Recipe]) -> Finding:
    """What an authorised person decided of a drum. It changes no verdict: the record keeps both."""
    return _finding(line, action, FindingKind.DECISION, action.decision or "hold", Verdict.CONFORMING)


OF_CABLE: dict[str, Callable[[str, Action, Mapping[str, Recipe]], Finding]] = {
    "mark metres": mark, "withdraw mark": withdrawn, "note resistance": resistance, "sign record": decision,
}  # fmt: skip


def _per_km(action: Action) -> float | None:
    """At 20 degC and per km of cable; None where ohm, temperature or a length is missing."""
    start, end = _span(action)
    if action.ohm is None or action.at_C is None or end <= start:
        return None
    return to_20_C(action.ohm, action.at_C) / (end - start) * M_PER_KM


def _most(recipe: Recipe | None) -> float | None:
    if recipe is None or recipe.conductor is None:
        return None
    try:
        return most_ohm_per_km(recipe.conductor.section_mm2, recipe.conductor.conductor_class)
    except ValueError:
        return None


def _span(action: Action) -> tuple[float, float]:
    start = action.start_m or 0.0
    end = action.end_m if action.end_m is not None else start
    return min(start, end), max(start, end)


def _finding(
    line: str, action: Action, kind: FindingKind, check: str, verdict: Verdict, extreme: float | None = None,
    limit: float | None = None, unit: str = "",
) -> Finding:  # fmt: skip
    start, end = _span(action)
    measured = action.ohm is not None and action.at_C is not None
    return Finding(
        line=line,
        key=f"{kind}@{action.t}",
        kind=kind,
        stream="operator/action" if kind is FindingKind.MARK else f"operator/{kind}",
        check=check,
        verdict=verdict,
        start_m=start,
        end_m=end,
        start_s=action.t / 1e3,
        end_s=action.t / 1e3,
        extreme=extreme,
        limit=limit,
        unit=unit,
        text=f"{action.ohm:g} ohm at {action.at_C:g} degC" if measured else "",
        by=action.by,
        reason=action.reason,
    )
