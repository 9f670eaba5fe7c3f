"""Messages of one stream leave in the order of their sequence numbers, each once; holes are waited for, then told."""

from dataclasses import dataclass, field

from monitor.core.arrival import Message


@dataclass(frozen=True, slots=True)
class Released:
    """A message in its order. `known_s`: how far the line's record was when it became known; `seq`: its arrival."""

    message: Message
    known_s: float
    seq: int


@dataclass(frozen=True, slots=True)
class Hole:
    """Sequence numbers that never came."""

    first: int
    last: int
    t_s: float


@dataclass(slots=True)
class StreamOrder:
    """Carried state of one stream's order.

    A message whose number is ahead of its turn waits until the line's newest stamp is `reorder_s` past it; then the
    hole before it is declared and whoever comes later for it is late. Outcome depends on the order of arrivals only.
    """

    reorder_s: float
    next_n: int | None = None
    held: dict[int, tuple[Message, int]] = field(default_factory=dict)
    duplicates: int = 0
    late: int = 0

    def push(self, message: Message, known_s: float, seq: int) -> list[Released]:
        """Take one arrival; returns what is now in order."""
        if self.next_n is None:
            self.next_n = message.n
        if message.n < self.next_n:
            self.late += 1
            return []
        if message.n in self.held:
            self.duplicates += 1
            return []
        if message.n == self.next_n and not self.held:
            self.next_n += 1
            return [Released(message, known_s, seq)]
        self.held[message.n] = (message, seq)
        return self._run(known_s)

    def deadline_s(self) -> float | None:
        """Newest stamp of the line at which waiting ends, or None where nothing waits."""
        if not self.held:
            return None
        return min(message.end_s for message, _ in self.held.values()) + self.reorder_s

    def expire(self, newest_s: float, known_s: float) -> tuple[list[Released], list[Hole]]:
        """Give up on holes whose time is over; returns what that frees, and the holes."""
        released: list[Released] = []
        holes: list[Hole] = []
        while (deadline := self.deadline_s()) is not None and deadline <= newest_s:
            assert self.next_n is not None
            first = min(self.held)
            holes.append(Hole(self.next_n, first - 1, self.held[first][0].t_s))
            self.next_n = first
            released += self._run(known_s)
        return released, holes

    def _run(self, known_s: float) -> list[Released]:
        released = []
        while self.next_n in self.held:
            message, seq = self.held.pop(self.next_n)
            released.append(Released(message, known_s, seq))
            self.next_n += 1
        return released
