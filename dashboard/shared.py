"""Cached answers: computed once for all viewers of a second, or kept for repeated queries."""

from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from threading import Lock
from typing import Any, TypeVar

T = TypeVar("T")
SLOT_MS = 1000


class Shared:
    """Answers of the present second by what was asked. Safe among threads: who asks while one is made waits for it."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._slot = -1
        self._made: dict[Hashable, Future[Any]] = {}  # each of what its question has

    def get(self, now_ms: int, asked: Hashable, make: Callable[[], T]) -> T:
        """The answer of the second that `now_ms` (UTC) lies in. An error goes to all who waited, and is not kept."""
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
            except BaseException as error:  # noqa: BLE001  # it is raised again, for all who wait
                with self._lock:
                    made.pop(asked, None)
                answer.set_exception(error)
        found: T = answer.result()
        return found


class NewestAnswers:
    """The newest answers by what was asked, at most `most` of them."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._answers: OrderedDict[Hashable, object] = OrderedDict()

    def put(self, asked: Hashable, answer: object) -> None:
        self._answers[asked] = answer
        self._answers.move_to_end(asked)
        while len(self._answers) > self._most:
            self._answers.popitem(last=False)

    def get(self, asked: Hashable, kind: type[T]) -> T | None:
        """The answer, None where there is none or it is of another kind."""
        answer = self._answers.get(asked)
        return answer if isinstance(answer, kind) else None
