"""An asyncio loop whose time is virtual: it jumps to the next timer instead of waiting, and never depends on load."""

import asyncio
import math
import selectors
from collections.abc import Callable
from concurrent.futures import Executor, Future
from typing import Any


class _JumpingSelector(selectors.DefaultSelector):
    """Reports no readiness by waiting: it passes the time instead."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 0.0

    def select(self, timeout: float | None = None) -> Any:
        ready = super().select(0)
        if not ready:
            if timeout is None:
                raise RuntimeError("every task waits for another and no timer is due: a deadlock")
            self.now_s += max(timeout, 0.0)
        return ready


class VirtualLoop(asyncio.SelectorEventLoop):
    """`time()` starts at 0 s and moves only when nothing else is left to do."""

    def __init__(self) -> None:
        self._jumping = _JumpingSelector()
        super().__init__(self._jumping)

    @property
    def _clock_resolution(self) -> float:
        """The least step of time: a timer that is due within it is not waited for, and time would not pass."""
        return math.ulp(self._jumping.now_s)

    @_clock_resolution.setter
    def _clock_resolution(self, _: float) -> None:
        """That of the machine's clock, which asyncio sets."""

    def time(self) -> float:
        return self._jumping.now_s

    def pass_time(self, seconds: float) -> None:
        """A blocking call took this long, as a slow disk does."""
        self._jumping.now_s += seconds


class InlineExecutor(Executor):
    """Runs each call at once in the calling thread, so that a run under a seed has one order of events."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> "Future[Any]":
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except BaseException as error:  # noqa: BLE001 - an injected kill travels like any failure
            future.set_exception(error)
        return future
