"""UTC clock that follows the machine's, but accepts a clock step only after one minute."""

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

STEP_S = 0.5  # a difference this large is a step; smaller ones are corrections by NTP, and followed
HOLD_S = 60.0


def paced_s() -> float:
    """Monotonic seconds, also counted while the machine sleeps where the system provides it."""
    return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


class UtcClock(Protocol):
    """UTC seconds when called; `step_s` is the clock step that is not accepted yet, 0 where there is none."""

    step_s: float

    def __call__(self) -> float: ...


@dataclass(slots=True)
class SteadyClock:
    """Call it for UTC seconds. After a step it goes on at its own pace for `HOLD_S`, then follows the machine's clock.

    So a clock that is set wrong and back makes no reading too early or too old, and one that was wrong and is set
    right at the start is accepted soon. `step_s` is the step that is being held, 0 where there is none.
    """

    wall: Callable[[], float] = time.time
    paced: Callable[[], float] = paced_s
    step_s: float = 0.0
    _offset: float = field(init=False)
    _since: float = 0.0

    def __post_init__(self) -> None:
        self._offset = self.wall() - self.paced()

    def __call__(self) -> float:
        paced = self.paced()
        off = self.wall() - paced - self._offset
        if abs(off) < STEP_S:
            self._offset, self.step_s = self._offset + off, 0.0
        elif not self.step_s:
            self._since, self.step_s = paced, off
        elif paced - self._since >= HOLD_S:
            self._offset, self.step_s = self._offset + off, 0.0
        else:
            self.step_s = off
        return paced + self._offset
