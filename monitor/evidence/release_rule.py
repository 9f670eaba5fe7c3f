"""Proposed disposition of a drum, by rule and with reasons. Advisory: release is decided by a person."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.contract.number_format import fixed, percent
from monitor.contract.record import Floats, Verdict

LEAST_M = 0.05  # shorter lengths are within the counter's error


@dataclass(frozen=True, slots=True)
class Proposed:
    """`may be released` with nothing against it, or `hold`, and the reasons against it."""

    word: str
    reasons: tuple[str, ...]


def coverage(columns: Mapping[str, Floats], required: Sequence[str]) -> dict[str, float]:
    """Share of metres with data of each required stream (0 to 1); 0 for one without any."""
    found = {}
    for path in required:
        v = columns.get(path)
        found[path] = float((v == v).mean()) if v is not None and len(v) else 0.0
    return found


def unanswered(count: int, whose: str) -> str:
    """How many alarms of a drum's winding are unacknowledged."""
    alarms, verb = ("alarm", "is") if count == 1 else ("alarms", "are")
    return f"{count} {alarms} during winding of {whose} {verb} unacknowledged"


def propose(
    ended: bool,
    length_m: float,
    metres: Mapping[str, float],
    seen: Mapping[str, float],
    standing: int,
    cure_known: bool,
    others: Sequence[str] = (),
) -> Proposed:
    """By rule: ended, every metre conforming, every required stream complete, no alarm of its time unacknowledged.

    `metres` are counted with what the drum inherits; `others` is other reasons against it, in words.
    Where evidence is missing it never proposes release.
    """
    against = [] if ended else ["the drum is still being wound"]
    short_m = length_m - sum(metres.values())
    if short_m > LEAST_M:
        against.append(f"no data yet for {fixed(short_m, 1)} m")
    bad = (v.word for v in (Verdict.NONCONFORMING, Verdict.UNVERIFIED, Verdict.SUSPECT))
    against += [f"{fixed(metres[word], 1)} m {word}" for word in bad if metres.get(word, 0.0) > 0]
    against += [f"{path} has data for {percent(share, 1)} of the length" for path, share in seen.items() if share < 1.0]
    if not cure_known:
        against.append("the cure is not known over the whole length")
    if standing:
        against.append(unanswered(standing, "this drum"))
    against += others
    return Proposed("hold" if against else "may be released", tuple(against))
