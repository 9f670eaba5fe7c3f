"""Shift summary: stops with reasons, and the indicators of ISO 22400-2 with their identities."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

States = Sequence[tuple[int, str, str]]  # (UTC ms, state, reason) of each change
UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Stop:
    """A stretch without running; times UTC ms."""

    start_ms: int
    end_ms: int
    reason: str

    @property
    def duration_s(self) -> float:
        return (self.end_ms - self.start_ms) / 1e3


@dataclass(frozen=True, slots=True)
class Indicators:
    """Availability, effectiveness, quality and their product, as ISO 22400-2 defines them.

    APT actual production time over PBT planned busy time; PRI planned run time per item times PQ produced over APT;
    GQ good over PQ. For a continuous line quantity is length and PRI is one over the nominal speed. Effectiveness over
    1 means that the recipe's nominal speed is too low: it is shown, not cut off.
    """

    availability: float
    effectiveness: float
    quality: float

    @property
    def oee(self) -> float:
        return self.availability * self.effectiveness * self.quality


def indicators(
    planned_s: float, producing_s: float, produced_m: float, good_m: float, nominal_m_per_s: float
) -> Indicators:
    """From times [s] and lengths [m]. Ratios without a denominator are 0. ValueError for inconsistent values."""
    if planned_s < 0 or producing_s > planned_s + 1e-6 or good_m > produced_m + 1e-6 or nominal_m_per_s <= 0:
        raise ValueError(
            f"expected producing <= planned, good <= produced and a nominal speed > 0, got {producing_s}, {planned_s}, "
            f"{good_m}, {produced_m}, {nominal_m_per_s}"
        )
    return Indicators(
        producing_s / planned_s if planned_s else 0.0,
        produced_m / nominal_m_per_s / producing_s if producing_s else 0.0,
        good_m / produced_m if produced_m else 0.0,
    )


def stops(states: States, start_ms: int, end_ms: int) -> list[Stop]:
    """Stretches in which the line was stopped, from its states (t_ms, state, reason), cut to a span.

    The reason is the first that was reported while it slowed down or was stopped.
    """
    found: list[Stop] = []
    since: int | None = None
    reason = ""
    for t_ms, state, why in [*states, (end_ms, "running", "")]:
        at = min(max(t_ms, start_ms), end_ms)
        if state == "stopped":
            since = at if since is None else since
            reason = reason or why
        else:
            if since is not None and at > since:
                found.append(Stop(since, at, reason))
            since, reason = None, why if state == "ramping" else ""
    return found


def with_silence(states: States, silent: Sequence[tuple[int, int]]) -> list[tuple[int, str, str]]:
    """States (t_ms, state, reason) in which the line is unknown because it sent no data (spans in UTC ms)."""
    found = [s for s in states if not any(a <= s[0] < b for a, b in silent)]
    for a, b in silent:
        before = [s for s in states if s[0] < b]
        if before:
            found += [(a, UNKNOWN, ""), (b, before[-1][1], before[-1][2])]
    return sorted(found, key=lambda s: s[0])


def in_state_s(states: States, start_ms: int, end_ms: int, which: Sequence[str]) -> float:
    """Seconds of a span in which the line was in one of some states, as far as its states are known."""
    known = [(max(t, start_ms), state) for t, state, _ in states if t < end_ms]
    steps = pairwise([*known, (end_ms, "")])
    return sum(max(0, until - t) for (t, state), (until, _) in steps if state in which) / 1e3


def producing_s(states: States, start_ms: int, end_ms: int) -> float:
    """Seconds of a span in which the line ran or ramped."""
    return in_state_s(states, start_ms, end_ms, ("running", "ramping"))
