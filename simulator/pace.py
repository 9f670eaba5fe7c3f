"""Simulated time against wall-clock time: real time, faster from the past until it has caught up, or at once."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Pace:
    """Simulated time begins at `start_s` (UTC) when the wall says `begun_s`. Pace 0 waits only for the wall itself."""

    pace: float
    start_s: float
    begun_s: float

    def due_s(self, stamp_s: float) -> float:
        """Wall time at which what is stamped `stamp_s` is published: never before it happens."""
        if self.pace == 0:
            return stamp_s
        return max(self.begun_s + (stamp_s - self.start_s) / self.pace, stamp_s)


def begin(pace: float, now_s: float, duration_s: float) -> Pace:
    """Where a run of `duration_s` begins: now in real time, else so far in the past that it ends at the present.

    Raises ValueError for a pace between 0 and 1 or below: stamps would fall behind the clock for ever.
    """
    if pace < 0 or 0 < pace < 1:
        raise ValueError(f"--pace: expected 0 (as fast as it goes) or at least 1, got {pace:g}")
    share = 1.0 if pace == 0 else 1.0 - 1.0 / pace
    return Pace(pace, now_s - duration_s * share, now_s)
