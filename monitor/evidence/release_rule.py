"""What the record proposes for a drum, by rule and with reasons. It releases nothing: a person does, or does not."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.contract.numerals import fixed, percent
from monitor.contract.record import Floats, Verdict

LEAST_M = 0.05  # what is shorter is the counter


@dataclass(frozen=True, slots=True)
class Proposed:
    """`may be released` with nothing against it, or `hold`, and what stands against it."""

    word: str
    reasons: tuple[str, ...]


def coverage(columns: Mapping[str, Floats], required: Sequence[str]) -> dict[str, float]:
    """Share of metres that each required stream saw (0 to 1); 0 for one that no row knows."""
    found = {}
    for path in required:
        v = columns.get(path)
        found[path] = float((v == v).mean()) if v is not None and len(v) else 0.0
    return found


def unanswered(count: int, whose: str) -> str:
    """How many alarms of a drum's time wait for an answer."""
    said = f"1 alarm of {whose} time is" if count == 1 else f"{count} alarms of {whose} time are"
    return f"{said} not answered"


def propose(
    ended: bool,
    length_m: float,
    metres: Mapping[str, float],
    seen: Mapping[str, float],
    standing: int,
    cure_known: bool,
    others: Sequence[str] = (),
) -> Proposed:
    """By rule: ended, every metre conforming, every required stream saw all of it, no alarm of its time unanswered.

    `metres` are counted with what the drum inherits; `others` is what else stands against it, in words.
    Where evidence is missing it never proposes release.
    """
    against = [] if ended else ["the drum is still being wound"]
    short_m = length_m - sum(metres.values())
    if short_m > LEAST_M:
        against.append(f"of {fixed(short_m, 1)} m nothing is on record yet")
    bad = (v.word for v in (Verdict.NONCONFORMING, Verdict.UNSEEN, Verdict.SUSPECT))
    against += [f"{fixed(metres[word], 1)} m {word}" for word in bad if metres.get(word, 0.0) > 0]
    against += [f"{path} saw {percent(share, 1)} of its metres" for path, share in seen.items() if share < 1.0]
    if not cure_known:
        against.append("the cure of its metres is not known")
    if standing:
        against.append(unanswered(standing, "its"))
    against += others
    return Proposed("hold" if against else "may be released", tuple(against))
