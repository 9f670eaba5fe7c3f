"""Cached results: computed once per second for all viewers, or kept for repeated requests."""

from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from threading import Lock
from typing import Any, TypeVar

T = TypeVar("T")
SLOT_MS = 1000


class Shared:
    """Results of the present second by request. Thread-safe: a second request waits for the first one's result."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._slot = -1
        self._made: dict[Hashable, Future[Any]] = {}  # each of its request's type

    def get(self, now_ms: int, asked: Hashable, make: Callable[[], T]) -> T:
        """The result of the second that holds `now_ms` (UTC). An error goes to all who waited, and is not kept."""
        with self._lock:
            if now_ms // SLOT_MS != self._slot:
                self._slot = now_ms // SLOT_MS
                self._made = {}
            made = self._made
            answer = made.get(asked)
            first = answer is None
            if answer is None:
                answer = made[asked] = Future()
        if first:
            try:
                answer.set_result(make())
            except BaseException as error:  # noqa: BLE001  # it is raised again for every waiting thread
                with self._lock:
                    made.pop(asked, None)
                answer.set_exception(error)
        found: T = answer.result()
        return found


class NewestAnswers:
    """The newest results by request, at most `most` of them."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._answers: OrderedDict[Hashable, object] = OrderedDict()

    def put(self, asked: Hashable, answer: object) -> None:
        self._answers[asked] = answer
        self._answers.move_to_end(asked)
        while len(self._answers) > self._most:
            self._answers.popitem(last=False)

    def get(self, asked: Hashable, kind: type[T]) -> T | None:
        """The result, None where there is none or it is of another type."""
        answer = self._answers.get(asked)
        return answer if isinstance(answer, kind) else None
